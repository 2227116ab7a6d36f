package plan

import (
	"cmp"
	"fmt"
	"math"
	"slices"
)

// Effect is what one change does.
type Effect struct {
	Name    string  `json:"name"`
	LLP     float64 `json:"loss_of_load"`
	Nights  float64 `json:"dark_nights"`
	Carried float64 `json:"carried_watts"`
	Mends   bool    `json:"reaches_target"`
	Cost    float64 `json:"cost"` // 0 when not known or nothing
	Free    bool    `json:"free"` // costs nothing to buy
	Remark  string  `json:"remark,omitempty"`
	SunOnly bool    `json:"-"`
}

// Change is something that may be done to a kit: it gives the kit with the change, or a
// try.
type change struct {
	name, remark string
	kit          func(*Kit)
	try          Try
	free         bool
	cost         float64
	skip         bool
}

func shedNight() (n [24]bool) {
	for h := range 6 {
		n[h] = true
	}
	return n
}

// changes are those whose effect is shown.
func (k *Kit) changes(p Prices) []change {
	canShed := slices.ContainsFunc(k.Load.Shed[:6], func(x float64) bool { return x > 0 })
	cold := len(k.Weather.AirCelsius) == 12
	other, remark := "a PWM charger instead", "for a panel whose voltage suits the battery"
	if !k.Site.MPPT {
		other, remark = "a maximum-power charger instead", ""
	}
	return []change{
		{name: "one watt less", try: Try{Less: 1}, free: true},
		{name: "what may be shed is off from 00 to 06 h", try: Try{Night: shedNight()}, free: true, skip: !canShed, remark: "what is shed is not counted as lost"},
		{name: "the same, only when the forecast asks for it", try: Try{Night: shedNight(), Forecast: true}, free: true, skip: !canShed, remark: "with a forecast of the usual worth"},
		{name: "no obstacle before the panel", kit: func(k *Kit) { k.Weather.Horizon = nil }, skip: len(k.Weather.Horizon) == 0},
		{name: "trees of 15° all round", kit: func(k *Kit) { k.Weather.Horizon = []Obstacle{{0, 15}} }, skip: len(k.Weather.Horizon) > 0, remark: "what growth does in some years"},
		{name: other, kit: func(k *Kit) { k.Site.MPPT = !k.Site.MPPT }, remark: remark, cost: p.Controller},
		{name: "the battery kept at 5 °C or above", try: Try{Warm: 5}, skip: !cold, remark: "the heat itself is not counted; only with a thermal cut-off of its own"},
		{name: "a battery that may be charged below freezing", try: Try{Takes: true}, skip: !cold || k.Weather.NoInhibit, remark: "made for it by its maker, or with a heater of its own"},
		{name: "half as much panel again", try: Try{Panel: 1.5}, cost: 0.5 * k.Site.WattsPeak * p.PanelWatt},
		{name: "twice the panel", try: Try{Panel: 2}, cost: k.Site.WattsPeak * p.PanelWatt},
		{name: "twice the battery", try: Try{Battery: 2}, cost: k.Battery.CapacityAh * p.BatteryAh},
		{name: "panel and battery twice", try: Try{Panel: 2, Battery: 2}, cost: k.Site.WattsPeak*p.PanelWatt + k.Battery.CapacityAh*p.BatteryAh},
	}
}

// Effects works out what each change does to the loss of load under the same skies. progress
// may be nil.
func (y *Year) Effects(years []Winter, p Prices, progress func(done, of int)) []Effect {
	changes := slices.DeleteFunc(y.kit.changes(p), func(c change) bool { return c.skip })
	var out []Effect
	for i, c := range changes {
		at := y
		if c.kit != nil {
			other := *y.kit
			c.kit(&other)
			at = other.Prepare(1)
		}
		ts := at.Run(years, c.try)
		e := Effect{Name: c.name, Remark: c.remark, Free: c.free, Cost: c.cost}
		var asked, got float64
		for j := range ts {
			asked, got = asked+ts[j].Demand, got+ts[j].Served
			e.Nights += float64(ts[j].Nights) / float64(len(ts))
		}
		e.LLP = 1 - got/asked
		e.Mends = e.LLP <= y.kit.Target
		e.Carried = at.Carried(years, c.try)
		out = append(out, e)
		if progress != nil {
			progress(i+1, len(changes))
		}
	}
	return out
}

// Swing is what is not known about one thing, and what it does to the dark hours of a year.
type Swing struct {
	Name    string  `json:"name"`
	Low     string  `json:"low"`
	High    string  `json:"high"`
	AtLow   float64 `json:"dark_hours_at_low"`
	AtHigh  float64 `json:"dark_hours_at_high"`
	LLPLow  float64 `json:"loss_of_load_at_low"`
	LLPHigh float64 `json:"loss_of_load_at_high"`
}

// doubt is one thing that may be otherwise: the kit or the try at either end.
type doubt struct {
	name, low, high string
	kit             [2]func(*Kit)
	try             [2]Try
	sun             [2]float64
	skip            bool
}

func (k *Kit) doubts() []doubt {
	cold, snow := len(k.Weather.AirCelsius) == 12, len(k.Weather.SnowDays) == 12
	shift := func(by float64) func(*Kit) {
		return func(k *Kit) {
			k.Weather.AirCelsius = slices.Clone(k.Weather.AirCelsius)
			for i := range k.Weather.AirCelsius {
				k.Weather.AirCelsius[i] += by
			}
		}
	}
	times := func(by float64) func(*Kit) {
		return func(k *Kit) {
			k.Weather.SnowDays = slices.Clone(k.Weather.SnowDays)
			for i := range k.Weather.SnowDays {
				k.Weather.SnowDays[i] *= by
			}
		}
	}
	cells := float64(max(k.Battery.Cells, 1))
	cut := func(by float64) func(*Kit) { return func(k *Kit) { k.Battery.CutoffVolts += by * cells } }
	colder, warmer, by := "3 K colder", "3 K warmer", 3.0
	if k.Weather.Guessed {
		colder, warmer, by = "10 K colder", "10 K warmer", 10
	}
	return []doubt{
		{name: "the sun of the place", low: "10 % less", high: "10 % more", sun: [2]float64{0.9, 1.1}},
		{name: "panel and charger", low: "15 % less", high: "15 % more", try: [2]Try{{Panel: 0.85}, {Panel: 1.15}}},
		{name: "the load", low: "15 % more", high: "15 % less", try: [2]Try{{Load: 1.15}, {Load: 0.85}}},
		{name: "the usable battery", low: "20 % less", high: "10 % more", try: [2]Try{{Battery: 0.8}, {Battery: 1.1}}},
		{name: "cold", low: colder, high: warmer, kit: [2]func(*Kit){shift(-by), shift(by)}, skip: !cold},
		{name: "snow on the panel", low: "twice the days", high: "none", kit: [2]func(*Kit){times(2), times(0)}, skip: !snow},
		{name: "the cut-off", low: fmt.Sprintf("%.1f V higher", 0.075*cells), high: fmt.Sprintf("%.1f V lower", 0.075*cells), kit: [2]func(*Kit){cut(0.075), cut(-0.075)}},
		{name: "the horizon", low: "10° higher all round", high: "as drawn", kit: [2]func(*Kit){func(k *Kit) {
			raised := []Obstacle{{0, 10}}
			if len(k.Weather.Horizon) > 0 {
				raised = slices.Clone(k.Weather.Horizon)
				for i := range raised {
					raised[i].HeightDeg += 10
				}
			}
			k.Weather.Horizon = raised
		}, func(*Kit) {}}},
	}
}

// Tornado works out what would change the verdict most: each doubt at both its ends, sorted
// by how far apart the dark hours come out. The same seed draws the same years, so that what
// differs is the doubt. progress may be nil.
func (k *Kit) Tornado(n int, seed uint64, progress func(done, of int)) []Swing {
	all := slices.DeleteFunc(k.doubts(), func(d doubt) bool { return d.skip })
	var out []Swing
	for i, d := range all {
		s := Swing{Name: d.name, Low: d.low, High: d.high}
		for end := range 2 {
			other := *k
			if d.kit[end] != nil {
				d.kit[end](&other)
			}
			y := other.Prepare(or1(d.sun[end]))
			o := y.brief(y.Synthetic(n, seed), d.try[end])
			if end == 0 {
				s.AtLow, s.LLPLow = o.DarkMean, o.LLP
			} else {
				s.AtHigh, s.LLPHigh = o.DarkMean, o.LLP
			}
		}
		out = append(out, s)
		if progress != nil {
			progress(i+1, len(all))
		}
	}
	slices.SortStableFunc(out, func(a, b Swing) int {
		return cmp.Compare(math.Abs(b.AtLow-b.AtHigh), math.Abs(a.AtLow-a.AtHigh))
	})
	return out
}

// brief is the loss of load and the dark hours alone.
func (y *Year) brief(years []Winter, t Try) (o Outcome) {
	var asked, got float64
	for _, r := range y.Run(years, t) {
		asked, got = asked+r.Demand, got+r.Served
		o.DarkMean += r.DarkHours / float64(len(years))
	}
	if asked > 0 {
		o.LLP = 1 - got/asked
	}
	return o
}
