package plan

import (
	"math"

	"ebbwatch/estimator/battery"
	"ebbwatch/estimator/outlook"
	"ebbwatch/estimator/sky"
)

// Kit is a node on paper: its place, panel, battery and load, what is assumed of the
// weather, and what was learned of it, if it stands already.
type Kit struct {
	Site    outlook.Site
	Battery battery.Battery
	Load    Profile
	Weather Weather
	Target  float64 // loss of load that is accepted, a share; 0.01 is one hour in a hundred

	// What a measured node taught; nil on paper.
	Learned *Learned
}

// Learned is what the daemon came to believe of the node itself.
type Learned struct {
	Outlook outlook.State
	Belief  battery.State
}

// Profile is the load by hour of the local day, W at the battery.
type Profile struct {
	Watts [24]float64
	Shed  [24]float64 // the part of it that may be taken off
}

// Mean is the mean load, W.
func (p Profile) Mean() float64 {
	sum := 0.0
	for _, w := range p.Watts {
		sum += w
	}
	return sum / 24
}

// Weather is what is assumed beside the sun.
type Weather struct {
	AirCelsius []float64  // mean by month; empty when not known
	AirSpread  float64    // how far days differ from their month, against the usual; 0 is as usual
	SnowDays   []float64  // days a month on which the panel lies under snow; empty for none
	Horizon    []Obstacle // what stands before the panel
	BoxWarmer  float64    // battery above air, K
	NoInhibit  bool       // the battery takes charge below freezing (few do)
	Guessed    bool       // AirCelsius is of [sky.UsualAir]
	Release    float64    // at which a battery that was too cold takes charge again, °C
	// A heater in the box: the battery is kept at WarmTo, °C, and the box loses LossWK, W/K;
	// 0 is no heater. It is fed by the battery.
	WarmTo, LossWK float64
}

// Obstacle is a corner of the horizon. Between corners it is drawn straight, round the
// compass.
type Obstacle struct {
	AzimuthDeg, HeightDeg float64
}

const (
	snowRun      = 2.5 // days in a row under snow
	usualCelsius = 10.0
)

// top is the height of the horizon in a direction, degrees.
func top(corners []Obstacle, azimuth float64) float64 {
	n := len(corners)
	switch n {
	case 0:
		return 0
	case 1:
		return corners[0].HeightDeg
	}
	for i := range n {
		a, b := corners[i], corners[(i+1)%n]
		span := math.Mod(b.AzimuthDeg-a.AzimuthDeg+720, 360)
		from := math.Mod(azimuth-a.AzimuthDeg+720, 360)
		if span == 0 || from > span {
			continue
		}
		return a.HeightDeg + from/span*(b.HeightDeg-a.HeightDeg)
	}
	return 0
}

// state is what the physics is started with.
func (k *Kit) state() outlook.State {
	s := outlook.Model{Site: k.Site, Battery: k.Battery}.Start()
	if k.Learned != nil {
		s = k.Learned.Outlook
	}
	if len(k.Weather.Horizon) > 0 {
		s.Skyline.Block(func(azimuth float64) float64 { return top(k.Weather.Horizon, azimuth) })
	}
	return s
}

// belief is the battery at a temperature, of a capacity that is a multiple of the kit's.
func (k *Kit) belief(scale, celsius float64) (battery.Battery, battery.Belief) {
	b := k.Battery
	b.CapacityAh *= scale
	m := battery.Model{Battery: b}
	s := m.Start()
	if k.Learned != nil {
		s = k.Learned.Belief
	}
	s.Celsius = celsius
	return b, m.Belief(&s)
}

// climate is what the days are drawn from: the means times sun.
func (k *Kit) climate(sun float64) sky.Climate {
	if len(k.Site.Insolation) != 12 {
		c := sky.Usual(k.Site.Latitude)
		for i := range c.Kt {
			c.Kt[i] = max(0.08, min(0.80, c.Kt[i]*sun))
		}
		return c
	}
	monthly := make([]float64, 12)
	for i, x := range k.Site.Insolation {
		monthly[i] = x * sun
	}
	return sky.FromInsolation(monthly, k.Site.Latitude)
}

// Learn takes the load over from what the daemon learned; false when it saw too little.
func (k *Kit) Learn(l *Learned, days float64) bool {
	k.Learned = l
	load := &l.Outlook.Load
	if load.Level <= 0 || load.Days < days {
		return false
	}
	share := 1.0
	if mean := k.Load.Mean(); mean > 0 {
		share = load.Level / mean
	}
	for h := range 24 {
		shape := 0.0
		for kind, weight := range [2]float64{5.0 / 7, 2.0 / 7} {
			x := 1.0
			for _, of := range [2]int{kind, 1 - kind} {
				if load.N[of][h] > 0 {
					x = load.Shape[of][h]
					break
				}
			}
			shape += weight * x
		}
		k.Load.Watts[h] = load.Level * shape
		k.Load.Shed[h] = min(k.Load.Shed[h]*share, k.Load.Watts[h])
	}
	return true
}
