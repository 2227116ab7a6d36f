package battery

import "math"

// What leaves the battery unmeasured is one sum: the zero error of the current sensor and
// the load that is wired past it. Readings alone cannot part a constant load from a constant
// zero error; what can be said rests on how large either usually is. A part that comes with
// the dark alone is a load: a sensor does not know the time. A sensor shows its zero error
// whenever it is known that nothing flows through it, and two that measure the same current
// show the sum of theirs.

// The loads looked at, W, and how likely there is none.
const (
	unmeteredStep  = 0.1
	unmeteredSteps = 80
	unmeteredNone  = 0.3
	unmeteredUsual = 3.0 // up to here all are alike, beyond they grow rarer
)

// unmetered is what is believed of a load past the meters.
type unmetered struct {
	watts, sd float64
	sure      float64 // chance that it is more than ghostLeast
}

// unmeteredLeast is the smallest load worth telling, W.
const unmeteredLeast = 0.3

// split parts the drain into load and zero error.
func (m Model) split(s *State) unmetered {
	volts := 3.3 * m.cells()
	zero, hidden := m.zero(s)
	drain, sd := s.Mean[iDrain], math.Hypot(s.sd(iDrain), 0.008)
	night, nightSD := max(s.Mean[iNightDrain], 0), s.sd(iNightDrain)
	if hidden { // an error below zero that shows by day alone looks like a load of the night
		nightSD = math.Hypot(nightSD, zero.reach)
	}
	if night > 2*nightSD {
		// the part of the dark hours is a load; only the rest can be a zero error
		drain -= night / 2
	} else {
		night = 0
	}
	var sum, mean, square, sure float64
	middle, span := drain-zero.amps, zero.span(sd)
	first := int(max((middle-span)*volts/unmeteredStep, 0))
	last := int(min((middle+span)*volts/unmeteredStep+1, unmeteredSteps-1))
	for k := min(first, unmeteredSteps-1); k <= max(last, 0); k++ {
		w := float64(k) * unmeteredStep
		prior := (1 - unmeteredNone) * unmeteredStep / unmeteredUsual
		switch {
		case k == 0:
			prior = unmeteredNone
		case w > unmeteredUsual:
			prior *= math.Exp(-(w - unmeteredUsual) / 2)
		}
		p := prior * zero.like(drain-w/volts, sd)
		all := w + night*volts/2
		sum += p
		mean += p * all
		square += p * all * all
		if all > unmeteredLeast {
			sure += p
		}
	}
	if sum < 1e-300 {
		all := max(middle*volts, 0) // far from all that is usual
		return unmetered{all, zero.sd() * volts, min(all/unmeteredLeast, 1)}
	}
	mean /= sum
	return unmetered{mean, math.Sqrt(max(square/sum-mean*mean, 0)), sure / sum}
}
