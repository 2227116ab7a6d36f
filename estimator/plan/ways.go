package plan

import (
	"fmt"
	"math/bits"
	"slices"

	"ebbwatch/estimator/sun"
)

// Way is a combination of changes to a kit.
type Way struct {
	Does    []string `json:"does"`           // each change, in words
	LLP     float64  `json:"loss_of_load"`   // with all of them
	Mends   bool     `json:"reaches_target"` // by them alone
	Carried float64  `json:"carried_watts"`  // the mean load that it carries at the target
	Cost    float64  `json:"cost"`           // 0 when not known or nothing
}

// Free finds what reaches the target without buying anything: the fewest of a better aim, shedding
// at night and one watt less. Where all together do not, the way has all of them and the load
// that is carried then. best is of [Year.Aims].
func (y *Year) Free(years []Winter, best Aim) Way {
	type step struct {
		does string
		do   func(k *Kit, t *Try)
	}
	var steps []step
	if site := y.kit.Site; best.TiltDeg != site.TiltDeg || best.AzimuthDeg != site.AzimuthDeg {
		steps = append(steps, step{fmt.Sprintf("the panel at %.0f°, facing %s", best.TiltDeg, sun.Compass(best.AzimuthDeg)), func(k *Kit, _ *Try) {
			k.Site.TiltDeg, k.Site.AzimuthDeg = best.TiltDeg, best.AzimuthDeg
		}})
	}
	if slices.ContainsFunc(y.kit.Load.Shed[:6], func(w float64) bool { return w > 0 }) {
		steps = append(steps, step{"what may be shed is off from 00 to 06 h, which is not counted as lost", func(_ *Kit, t *Try) { t.Night = shedNight() }})
	}
	steps = append(steps, step{"one watt less", func(_ *Kit, t *Try) { t.Less = 1 }})
	sets := make([]uint, 1<<len(steps)-1)
	for i := range sets {
		sets[i] = uint(i + 1)
	}
	slices.SortStableFunc(sets, func(a, b uint) int { return bits.OnesCount(a) - bits.OnesCount(b) })
	var way Way
	for _, set := range sets {
		kit, try := *y.kit, Try{}
		way = Way{}
		for i, s := range steps {
			if set&(1<<i) != 0 {
				s.do(&kit, &try)
				way.Does = append(way.Does, s.does)
			}
		}
		at := kit.Prepare(1)
		way.LLP = at.LLP(years, try)
		way.Mends = way.LLP <= kit.Target
		if way.Mends || len(way.Does) == len(steps) {
			way.Carried = at.Carried(years, try)
			break
		}
	}
	return way
}

// What the most robust kit is to bear at once: sun and load at the bad ends of [Kit.Tornado].
const robustSun, robustLoad = 0.9, 1.15

// Robust is the pair of panel and battery that reaches the target even with a tenth less sun and
// 15 % more load, the battery taking charge below freezing where the cold stops that; false where
// none does. seed draws n years.
func (k *Kit) Robust(n int, seed uint64, p Prices) (Way, bool) {
	takes := len(k.Weather.AirCelsius) == 12 && !k.Weather.NoInhibit
	worse := k.Prepare(robustSun)
	pairs := worse.Frontier(worse.Synthetic(n, seed), Try{Load: robustLoad, Takes: takes}, p, nil)
	i := slices.IndexFunc(pairs, func(x Pair) bool { return x.Best })
	if i < 0 {
		return Way{}, false
	}
	y := k.Prepare(1)
	years := y.Synthetic(n, seed)
	try := Try{Panel: pairs[i].Watts / k.Site.WattsPeak, Battery: pairs[i].Ah / k.Battery.CapacityAh, Takes: takes}
	w := Way{Does: []string{fmt.Sprintf("%.0f W of panel with %.0f Ah", pairs[i].Watts, pairs[i].Ah)}, Cost: pairs[i].Cost, LLP: y.LLP(years, try), Carried: y.Carried(years, try)}
	w.Mends = w.LLP <= k.Target
	if takes {
		w.Does = append(w.Does, "the battery may be charged below freezing, or is kept above it")
	}
	return w, true
}
