package estimator

import (
	"math"

	"ebbwatch/collector/reading"
)

// What leaves the battery unmeasured is one sum: the zero error of the current sensor and
// the load that is wired past it. Readings alone cannot part a constant load from a constant
// zero error; what can be said rests on how large either usually is. A part that comes with
// the dark alone is a load: a sensor does not know the time. A sensor shows its zero error
// whenever it is known that nothing flows through it.

// zeroAmps is the usual zero error of a current sensor: up to 60 mA either way, common
// practice for the small shunts and controllers of such nodes.
const zeroAmps = 0.035

// The loads looked at, W, and how likely there is none.
const (
	ghostStep  = 0.1
	ghostSteps = 80
	ghostNone  = 0.3
	ghostUsual = 3.0 // up to here all are alike, beyond they grow rarer
)

// ghost is what is believed of a load past the meters.
type ghost struct {
	watts, sd float64
	sure      float64 // chance that it is more than ghostLeast
}

// ghostLeast is the smallest load worth telling, W.
const ghostLeast = 0.3

// Zero is what a current sensor shows while nothing flows through it, A.
type Zero struct{ Amps, Hours float64 }

// zeroHours is how long that must have been seen, and zeroLeast what counts as nothing: a
// meter that shows no negative current, or rounds, hides its error there.
const (
	zeroHours = 6
	zeroLeast = 0.004
)

func (z *Zero) see(x, hours float64) {
	z.Hours = min(z.Hours+hours, 300)
	z.Amps += (x - z.Amps) * hours / z.Hours
}

// believed is the zero error and its spread when it usually is so large; hidden tells that
// the sensor shows nothing, which it would with any error below zero too.
func (z Zero) believed(usual float64) (amps, sd float64, hidden bool) {
	switch {
	case z.Hours < zeroHours:
		return 0, usual, false
	case math.Abs(z.Amps) < zeroLeast:
		return -usual / 2, usual * 0.6, true
	}
	return z.Amps, 0.004, false
}

// zeros reads the sensors while what flows through them is known to be nothing: the charge
// current when the panel stands dark, the load current when the load output is off, and the
// battery's when both are so. A ghost load passes all of them by.
func (s *State) zeros(r *reading.Reading, cells, hours float64) {
	if hours <= 0 || hours > unseen.Hours() {
		return
	}
	pv, seen := r.Get(reading.PanelVolts)
	on, told := r.Get(reading.LoadOn)
	dark, off := seen && pv < cells, told && on == 0
	if x, ok := r.Get(reading.ChargeAmps); ok && dark {
		s.ZeroIn.see(x, hours)
	}
	if x, ok := r.Get(reading.LoadAmps); ok && off {
		s.ZeroOut.see(x, hours)
	}
	x, ok := r.Get(reading.BatteryAmps)
	if ok && dark && off {
		s.ZeroBattery.see(x, hours)
	}
	if ok {
		s.OwnHours = min(s.OwnHours+hours, 24)
	}
}

// zero is what the sensors are believed to add to the current into the battery, A. Two
// sensors err each for itself.
func (m Model) zero(s *State) (amps, sd float64, hidden bool) {
	usual := m.Battery.ZeroAmps
	if usual <= 0 {
		usual = zeroAmps
	}
	if s.OwnHours > 0 {
		amps, sd, _ = s.ZeroBattery.believed(usual)
		return amps, sd, false
	}
	in, inSD, hidden := s.ZeroIn.believed(usual)
	out, outSD, _ := s.ZeroOut.believed(usual)
	if hidden { // it adds nothing in the dark
		in /= 2
	}
	return in - out, math.Hypot(inSD, outSD), hidden
}

// split parts the drain into load and zero error.
func (m Model) split(s *State) ghost {
	volts := 3.3 * m.cells()
	added, zero, hidden := m.zero(s)
	drain, sd := s.Mean[iDrain]-added, math.Hypot(s.sd(iDrain), 0.008)
	night, nightSD := max(s.Mean[iNight], 0), s.sd(iNight)
	if hidden { // an error below zero that shows by day alone looks like a load of the night
		nightSD = math.Hypot(nightSD, zeroAmps)
	}
	if night > 2*nightSD {
		// the part of the dark hours is a load; only the rest can be a zero error
		drain -= night / 2
	} else {
		night = 0
	}
	variance := sd*sd + zero*zero
	var sum, mean, square, sure float64
	for k := range ghostSteps {
		w := float64(k) * ghostStep
		prior := (1 - ghostNone) * ghostStep / ghostUsual
		switch {
		case k == 0:
			prior = ghostNone
		case w > ghostUsual:
			prior *= math.Exp(-(w - ghostUsual) / 2)
		}
		off := drain - w/volts
		p := prior * math.Exp(-off*off/variance/2)
		all := w + night*volts/2
		sum += p
		mean += p * all
		square += p * all * all
		if all > ghostLeast {
			sure += p
		}
	}
	if sum < 1e-300 {
		return ghost{drain * volts, zero * volts, 1}
	}
	mean /= sum
	return ghost{mean, math.Sqrt(max(square/sum-mean*mean, 0)), sure / sum}
}
