package outlook

import (
	"math"
	"slices"
)

// returnTimes is when the load is fed again, in hours over the futures that lose it: the median,
// and late, which 19 of 20 do not exceed. NaN when none loses it, or beyond the horizon.
func returnTimes(cutoff, back *[Paths]float64) (median, late float64) {
	var times []float64
	for i := range cutoff {
		if cutoff[i] != never {
			times = append(times, back[i])
		}
	}
	if len(times) == 0 {
		return math.NaN(), math.NaN()
	}
	slices.Sort(times)
	at := func(i int) float64 {
		if times[i] == never {
			return math.NaN()
		}
		return times[i]
	}
	return at(len(times) / 2), at((len(times)*19 - 1) / 20)
}

// fullSun is what the panel brings to the battery in full sun, 1000 W/m² square to it, as
// it was learned to do, and how many hours of that lead from a cut-off to the return of the
// load. Whoever watches the silence knows the sun by other panels, not what was foreseen.
func (f *Futures) fullSun(m Model, s *State) (watts, hours float64) {
	factor, _ := s.Panel.factor()
	watts = factor * m.Site.WattsPeak
	ah := 0.0
	for i := range f.path {
		ah += f.path[i].ah / Paths
	}
	// perVoltUp is one over the battery's voltage while it is charged.
	return watts, (f.backSoC - f.cutSoC) * ah / (watts * f.perVoltUp[int(f.backSoC*voltBins)])
}
