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
	f := finding{who: []reading.Quantity{reading.BatteryAmps}, why: says("its sign is reversed: the voltage falls as the current rises")}
	v, i := p.get(reading.BatteryVolts), p.get(reading.BatteryAmps)
	if math.IsNaN(v) || math.IsNaN(i) {
		o.Known = false
		f.verdict = onlyBad(o.Verdict)
		return f
	}
	if di, dv := i-o.Amps, v-o.Volts; o.Known && p.fresh && p.dt <= stepTime && math.Abs(di) >= leastStep {
		o.N = o.N*forget + 1
		o.II, o.IV, o.VV = o.II*forget+di*di, o.IV*forget+di*dv, o.VV*forget+dv*dv
		o.judge()
	}
	o.Volts, o.Amps, o.Known = v, i, true
	f.verdict = onlyBad(o.Verdict) // a right sign says nothing of the scale
	return f
}

// judge takes the ratio for proved when it stands far out of its scatter.
func (o *Steps) judge() {
	if o.N < leastSteps {
		return
	}
	ohms := o.IV / o.II
	sd := math.Sqrt(max(o.VV-ohms*o.IV, 0)/(o.N-1)/o.II + 1e-12)
	switch {
	case ohms < -0.002 && -ohms > 6*sd:
		o.Verdict = Bad
	case ohms > 4*sd:
		o.Verdict = Fine
	case o.Verdict == Bad && ohms > 0:
		o.Verdict = Unknown
	}
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
	lineSpread = 0.6 // A, standard deviation that charger and load must have shown
)

// expected is the battery's current as charger and load would have it, or NaN.
func (p *poll) expected() float64 {
	get := func(q reading.Quantity) float64 { return get(&p.all, q) }
	in := get(reading.ChargeAmps)
	if math.IsNaN(in) {
		in = 0.95 * get(reading.PanelWatts) / get(reading.BatteryVolts)
	}
	if load := get(reading.LoadAmps); !math.IsNaN(load) {
		return in - load
	}
	return in
}

// net judges sign and scale of the battery's current against charger and load.
func (s *State) net(p poll) finding {
	k := &s.Net
	x, y := p.expected(), p.get(reading.BatteryAmps)
	if !math.IsNaN(x) && !math.IsNaN(y) {
		k.add(x, y)
		k.Streak.settle(k.opinion(), lasting)
		k.Verdict = k.Streak.Verdict
	}
	f := finding{who: []reading.Quantity{reading.BatteryAmps}, verdict: k.Verdict}
	if k.Verdict == Fine && k.Streak.Opinion != Fine {
		f.verdict = Unknown
	}
	for _, q := range []reading.Quantity{reading.ChargeAmps, reading.PanelWatts} {
		if p.has(q) {
			f.who = append(f.who, q)
			break
		}
	}
	switch {
	case k.Slope < 0:
		f.who = f.who[:1]
		f.why = says("its sign is reversed against charger and load")
	default:
		slope := k.Slope
		f.why = func() string { return "the battery's current changes " + times(slope) + " what charger and load say" }
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

// Night watches what flows after dark.
type Night struct {
	Battery Dark // the battery takes current
	Mirror  Dark // it takes just what the load does
	Panel   Dark
	Charge  Dark
}

// Dark is how long something has flowed that cannot in the dark.
type Dark struct {
	For     time.Duration
	Polls   int
	Clean   int // polls in the dark without it
	Verdict Verdict
}

const (
	darkBelow = -6.0 // degrees: civil twilight has ended, a panel gives nothing
	darkAmps  = 0.3  // A into the battery that need an explanation
	darkWatts = 5.0  // of a panel
	darkLong  = 2 * time.Hour
	darkSoon  = 30 * time.Minute
)

// night judges what flows into the battery, or out of the panel, while there is no sun.
// Somebody may have brought a charger: where the voltage or the charger has confirmed the
// sign of the battery's current, nothing is said of it unless it mirrors the load.
func (s *State) night(p poll) []finding {
	n := &s.Night
	if p.c.SunElevation < darkBelow { // false when it is not known
		amps, load := p.get(reading.BatteryAmps), get(&p.all, reading.LoadAmps)
		mirror := amps > darkAmps && math.Abs(amps-load) < 0.25*load
		limit := darkLong
		if mirror {
			limit = darkSoon
		}
		n.Battery.step(p, amps > darkAmps, amps < -0.1, limit)
		n.Mirror.step(p, mirror, amps <= darkAmps || amps > 1.5*load, darkLong)
		n.Panel.step(p, p.get(reading.PanelWatts) > darkWatts, p.get(reading.PanelWatts) <= darkWatts, darkSoon)
		n.Charge.step(p, p.get(reading.ChargeAmps) > 2*darkAmps, p.get(reading.ChargeAmps) <= 2*darkAmps, darkSoon)
	}
	battery := onlyBad(n.Battery.Verdict)
	if s.Ohm.Verdict == Fine || s.Net.Verdict == Fine {
		battery = onlyBad(n.Mirror.Verdict)
	}
	return []finding{
		{[]reading.Quantity{reading.BatteryAmps}, battery, says("its sign is reversed: the battery is said to charge at night")},
		{[]reading.Quantity{reading.PanelWatts}, onlyBad(n.Panel.Verdict), says("a panel gives nothing at night")},
		{[]reading.Quantity{reading.ChargeAmps}, onlyBad(n.Charge.Verdict), says("a panel charges nothing at night")},
	}
}

func says(text string) func() string { return func() string { return text } }

// onlyBad keeps a check from speaking for a value: nothing at night proves no scale.
func onlyBad(v Verdict) Verdict {
	if v == Bad {
		return Bad
	}
	return Unknown
}

func (d *Dark) step(p poll, flows, clean bool, limit time.Duration) {
	switch {
	case flows:
		d.Polls, d.Clean = d.Polls+1, 0
		if p.fresh {
			d.For += p.dt
		}
		if d.For >= limit && d.Polls >= 6 {
			d.Verdict = Bad
		}
	case clean:
		d.For, d.Polls = 0, 0
		if d.Clean++; d.Clean >= 10 {
			d.Verdict = Fine
		}
	}
}
