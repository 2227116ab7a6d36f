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

// split parts the drain into load and zero error.
func (m Model) split(s *State) ghost {
	volts := 3.3 * m.cells()
	zero, hidden := m.zero(s)
	drain, sd := s.Mean[iDrain], math.Hypot(s.sd(iDrain), 0.008)
	night, nightSD := max(s.Mean[iNight], 0), s.sd(iNight)
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
	first := int(max((middle-span)*volts/ghostStep, 0))
	last := int(min((middle+span)*volts/ghostStep+1, ghostSteps-1))
	for k := min(first, ghostSteps-1); k <= max(last, 0); k++ {
		w := float64(k) * ghostStep
		prior := (1 - ghostNone) * ghostStep / ghostUsual
		switch {
		case k == 0:
			prior = ghostNone
		case w > ghostUsual:
			prior *= math.Exp(-(w - ghostUsual) / 2)
		}
		p := prior * zero.like(drain-w/volts, sd)
		all := w + night*volts/2
		sum += p
		mean += p * all
		square += p * all * all
		if all > ghostLeast {
			sure += p
		}
	}
	if sum < 1e-300 {
		all := max(middle*volts, 0) // far from all that is usual
		return ghost{all, zero.sd() * volts, min(all/ghostLeast, 1)}
	}
	mean /= sum
	return ghost{mean, math.Sqrt(max(square/sum-mean*mean, 0)), sure / sum}
}
