package plausible

import (
	"math"
	"time"

	"ebbwatch/collector/reading"
)

// Steps collects steps of the battery's current with those of its voltage. Into a battery
// that takes more, the voltage rises: their ratio is its resistance, and a negative one
// means that the current is counted the other way round.
type Steps struct {
	Volts, Amps float64 // of the last poll
	Known       bool
	N           float64
	II, IV, VV  float64 // sums of squares and products of the steps
	Verdict     Verdict
}

const (
	leastStep  = 0.5             // A, smaller steps drown in noise
	leastSteps = 20              // before there is a verdict
	forget     = 1 - 1.0/150     // each step weighs less than the next
	stepTime   = 5 * time.Minute // between the two polls of a step, at most
)

// ohm judges the sign of the battery's current by the voltage.
func (s *State) ohm(p poll) finding {
	o := &s.Ohm
	f := finding{who: []reading.Quantity{reading.BatteryAmps}, why: "its sign is reversed: the voltage falls as the current rises"}
	v, i := p.get(reading.BatteryVolts), p.get(reading.BatteryAmps)
	if math.IsNaN(v) || math.IsNaN(i) {
		o.Known = false
	} else {
		if di, dv := i-o.Amps, v-o.Volts; o.Known && p.fresh && p.dt <= stepTime && math.Abs(di) >= leastStep {
			o.N = o.N*forget + 1
			o.II, o.IV, o.VV = o.II*forget+di*di, o.IV*forget+di*dv, o.VV*forget+dv*dv
			o.judge()
		}
		o.Volts, o.Amps, o.Known = v, i, true
	}
	f.bad = o.Verdict == Bad
	return f
}

// ratio is the resistance that the steps show, with its standard error, ohms.
func (o *Steps) ratio() (ohms, sd float64) {
	ohms = o.IV / o.II
	return ohms, math.Sqrt(max(o.VV-ohms*o.IV, 0)/(o.N-1)/o.II + 1e-12)
}

// judge takes the ratio for proved when it stands far out of its scatter.
func (o *Steps) judge() {
	if o.N < leastSteps {
		return
	}
	switch ohms, sd := o.ratio(); {
	case ohms < -0.002 && -ohms > 6*sd:
		o.Verdict = Bad
	case ohms > 4*sd:
		o.Verdict = Fine
	case o.Verdict == Bad && ohms > 0:
		o.Verdict = Unknown
	}
}

// least is a resistance that the battery has at least: half of what the steps showed, or that of
// the largest battery that ebbwatch is made for, warm and with short cables.
func (o *Steps) least(site Site) float64 {
	least := 0.0025 * float64(max(site.Cells, 4)) / 4
	if o.Verdict == Fine {
		ohms, _ := o.ratio()
		return max(least, 0.5*ohms)
	}
	return least
}

// Line fits the battery's current to what the charger and the load say of it, with weights
// that fade over some hundreds of polls. The constant takes up loads that no meter sees.
type Line struct {
	N, X, Y    float64 // effective number of polls and means, A
	XX, XY, YY float64 // mean squares about the means
	Verdict    Verdict
	Slope      float64 // when it was judged
	Streak     Count
}

const (
	lineMemory = 600 // polls
	lineLeast  = 60
	lasting    = 30  // polls that an opinion must last
	lineSpread = 0.6 // A, standard deviation that charger and load must have shown
)

// expected is the battery's current as charger and load would have it, or NaN: also where a
// meter that there was is silent, for its absence would look like a move of the others.
func expected(r *reading.Reading, seen uint32) float64 {
	lost := func(q reading.Quantity) bool { return seen&(1<<q) != 0 && !r.Known(q) }
	in := get(r, reading.ChargeAmps)
	switch {
	case lost(reading.ChargeAmps) || lost(reading.LoadAmps):
		return math.NaN()
	case math.IsNaN(in):
		in = 0.95 * get(r, reading.PanelWatts) / get(r, reading.BatteryVolts)
	}
	if load, known := r.Get(reading.LoadAmps); known {
		in -= load
	}
	return in
}

// net judges sign and scale of the battery's current against charger and load.
func (s *State) net(p poll) finding {
	k := &s.Net
	x, y := expected(&p.all, s.Seen), p.get(reading.BatteryAmps)
	if !math.IsNaN(x) && !math.IsNaN(y) {
		k.add(x, y)
		k.Streak.settle(k.opinion(), lasting)
		k.Verdict = k.Streak.Verdict
	}
	f := finding{who: []reading.Quantity{reading.BatteryAmps}, bad: k.Verdict == Bad, why: "its sign is reversed against charger and load"}
	if k.Slope >= 0 {
		f.why = "the battery's current changes " + times(k.Slope) + " what charger and load say"
		f.who = append(f.who, reading.ChargeAmps)
	}
	return f
}

func (k *Line) add(x, y float64) {
	k.N = k.N*(1-1.0/lineMemory) + 1
	w := 1 / k.N
	dx, dy := x-k.X, y-k.Y
	k.X += w * dx
	k.Y += w * dy
	k.XX = (1 - w) * (k.XX + w*dx*dx)
	k.XY = (1 - w) * (k.XY + w*dx*dy)
	k.YY = (1 - w) * (k.YY + w*dy*dy)
}

// opinion is bad for a reversed sign and for a slope near a power of ten; slopes between
// are left alone, for pumps and second chargers follow the sun as well.
func (k *Line) opinion() Verdict {
	if k.N < lineLeast || k.XX < lineSpread*lineSpread || k.YY <= 0 {
		return Unknown
	}
	slope, fit := k.XY/k.XX, k.XY*k.XY/(k.XX*k.YY)
	size := math.Log10(math.Abs(slope))
	power := math.Round(size)
	switch {
	case slope < 0 && fit > 0.8 && math.Abs(size-power) < 0.3:
		k.Slope = slope
		return Bad
	case slope > 0 && fit > 0.9 && power != 0 && math.Abs(size-power) < 0.1:
		k.Slope = slope
		return Bad
	case slope > 0.5 && slope < 2 && fit > 0.5:
		return Fine
	}
	return Unknown
}

// Count counts polls of one opinion in a row.
type Count struct {
	Verdict Verdict
	Opinion Verdict
	Streak  int
}

// settle takes an opinion in; after n in a row it is the verdict.
func (k *Count) settle(opinion Verdict, n int) {
	if opinion == Unknown {
		return
	}
	if opinion != k.Opinion {
		k.Opinion, k.Streak = opinion, 0
	}
	if k.Streak++; k.Streak >= n {
		k.Verdict = opinion
	}
}
