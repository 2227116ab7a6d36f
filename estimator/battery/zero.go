package battery

import (
	"math"

	"ebbwatch/collector/reading"
)

// zeroReach is how far the zero of a current sensor usually is off either way, A: common
// practice for the small shunts and controllers of such nodes. Within it all errors are
// alike; a few lie a little beyond, which zeroEdge blurs.
const (
	zeroReach = 0.06
	zeroEdge  = 0.006
)

// Zero is what a current sensor shows while nothing flows through it, A.
type Zero struct{ Amps, Hours float64 }

// zeroHours is how long that must have been seen, so that an owner who switches the load off
// for an hour in the dark learns of it; and zeroLeast what counts as nothing: a
// meter that shows no negative current, or rounds, hides its error there. zeroSeen is how
// well it is known then.
const (
	zeroHours = 1
	zeroLeast = 0.004
	zeroSeen  = 0.004
)

func (z *Zero) see(x, hours float64) {
	z.Hours = min(z.Hours+hours, 300)
	z.Amps += (x - z.Amps) * hours / z.Hours
}

// offset is what is believed of a zero error: anything within reach of amps alike, blurred
// by a normal error.
type offset struct{ amps, reach, blur float64 }

// usualOffset is the zero error of a sensor of which nothing was seen. The owner may have
// told its standard deviation, A; else that is 0.
func usualOffset(told float64) offset {
	if told > 0 {
		return offset{0, 0, told}
	}
	return offset{0, zeroReach, zeroEdge}
}

// sd is the standard deviation.
func (o offset) sd() float64 { return math.Sqrt(o.reach*o.reach/3 + o.blur*o.blur) }

// less is the difference of two zero errors that know nothing of each other.
func (o offset) less(p offset) offset {
	wide, narrow := max(o.reach, p.reach), min(o.reach, p.reach)
	return offset{o.amps - p.amps, wide, math.Sqrt(narrow*narrow/3 + o.blur*o.blur + p.blur*p.blur)}
}

// like is how likely an error is; only the ratio to that of another means something.
func (o offset) like(amps, more float64) float64 {
	off, sd := math.Abs(amps-o.amps), math.Hypot(o.blur, more)
	if o.reach < sd/4 {
		return math.Exp(-(off * off) / (sd*sd + o.reach*o.reach/3) / 2)
	}
	near, far := (off-o.reach)/sd/math.Sqrt2, (off+o.reach)/sd/math.Sqrt2
	return (math.Erfc(near) - math.Erfc(far)) / 2
}

// span is how far from its middle an error is possible at all.
func (o offset) span(more float64) float64 { return o.reach + 7*math.Hypot(o.blur, more) }

// known tells whether the sensor was seen for long enough.
func (z Zero) known() bool { return z.Hours >= zeroHours }

// believed is the zero error when it usually is so large; hidden tells that the sensor shows
// nothing, which it would with any error below zero too.
func (z Zero) believed(usual offset) (o offset, hidden bool) {
	switch {
	case !z.known():
		return usual, false
	case math.Abs(z.Amps) < zeroLeast:
		return offset{-usual.sd() * 0.85, usual.reach / 2, usual.blur * 0.6}, true
	}
	return offset{z.Amps, 0, zeroSeen}, false
}

// signed is the same of a sensor that shows either sign: nothing at all, for hours, is the
// resolution of a coarse one.
func (z Zero) signed(usual offset) offset {
	const coarse, flat = 0.05, 1e-6
	switch {
	case !z.known():
		return usual
	case math.Abs(z.Amps) < flat:
		return offset{0, min(usual.reach, coarse), usual.blur}
	}
	return offset{z.Amps, 0, zeroSeen}
}

// Pair is what two sensors of the same current showed together by night: the battery's, and
// that of the load which alone flows then. What is left of their sum is the sum of their zero
// errors, what their gains make of the load, and what the charger itself uses.
type Pair struct {
	Zero         // of the sum
	Load float64 // A, the usual load meanwhile
	Was  [2]float64
	Step [2]float64 // finest change seen of either, A
}

func (p *Pair) see(battery, load, hours float64) {
	for k, x := range [...]float64{battery, load} {
		if d := math.Abs(x - p.Was[k]); p.Hours > 0 && d > 1e-4 && (p.Step[k] == 0 || d < p.Step[k]) {
			p.Step[k] = d
		}
		p.Was[k] = x
	}
	p.Zero.see(battery+load, hours)
	p.Load += (load - p.Load) * hours / p.Hours
}

// pairGain is the usual difference of the gains of two sensors, relative; pairElse is what
// else may flow through one of them alone, A, as a charger's own need: some 10 mA, common
// practice.
const (
	pairGain  = 0.016
	pairElse  = 0.010
	pairHours = 6 // to be seen, so that the load is the usual one
)

func (p *Pair) known() bool { return p.Hours >= pairHours }

// believed is what the sum says of the battery's sensor, that of the load being off by as
// much as is usual or by what was seen. A sum beyond what two sensors are off by tells that
// something else flows through one of them.
func (p *Pair) believed(usual, load offset, loadKnown bool) offset {
	vague := math.Sqrt(pairGain*pairGain*p.Load*p.Load + (p.Step[0]*p.Step[0]+p.Step[1]*p.Step[1])/12 + pairElse*pairElse)
	switch {
	case math.Abs(p.Amps) > 2*(usual.reach+usual.blur+vague):
		return usual
	case loadKnown:
		return offset{p.Amps - load.amps, 0, math.Hypot(vague, zeroSeen)}
	}
	return offset{p.Amps / 2, max(usual.reach-math.Abs(p.Amps)/2, 0), math.Hypot(vague/2, usual.blur/math.Sqrt2)}
}

// zeros reads the sensors while what flows through them is known to be nothing: the charge
// current when the panel stands dark, the load current when the load output is off, and the
// battery's when both are so. A ghost load passes all of them by.
func (s *State) zeros(r *reading.Reading, cells, hours float64) {
	if hours <= 0 || hours > s.unseen().Hours() {
		return
	}
	pv, seen := r.Get(reading.PanelVolts)
	on, told := r.Get(reading.LoadOn)
	dark, off := seen && pv < cells, told && on == 0
	if x, ok := r.Get(reading.ChargeAmps); ok && dark {
		s.ZeroIn.see(x, hours)
	}
	load, okLoad := r.Get(reading.LoadAmps)
	if okLoad && off {
		s.ZeroOut.see(load, hours)
	}
	x, ok := r.Get(reading.BatteryAmps)
	if ok && dark && off {
		s.ZeroBattery.see(x, hours)
	}
	if ok && dark && okLoad && !off {
		s.ZeroPair.see(x, load, hours)
	}
	if ok {
		s.OwnHours = min(s.OwnHours+hours, 24)
	}
}

// zero is what the sensors are believed to add to the current into the battery. Two sensors
// err each for itself.
func (m Model) zero(s *State) (o offset, hidden bool) {
	usual := usualOffset(m.Battery.ZeroAmps)
	out, _ := s.ZeroOut.believed(usual)
	if s.OwnHours > 0 {
		if s.ZeroPair.known() && !s.ZeroBattery.known() {
			return s.ZeroPair.believed(usual, out, s.ZeroOut.known()), false
		}
		return s.ZeroBattery.signed(usual), false
	}
	in, hidden := s.ZeroIn.believed(usual)
	if hidden { // it adds nothing in the dark
		in.amps /= 2
	}
	return in.less(out), hidden
}
