package outlook

import (
	"cmp"
	"math"
	"slices"
)

// Spell is what the futures that lose the load within a week have in common. All of it comes
// from one set of futures and one moment, so that what is told of it fits together: the
// median over all futures, dry ones included, lies in none of them.
type Spell struct {
	Early    float64 // hours until one in ten of them has gone dark
	From, To float64 // hours: the shortest span in which half of them go dark
	Lasts    float64 // hours from there until half of those of the span feed the load again
	Back     float64 // hours until then; NaN where it lies within the span, or beyond the horizon
}

// nothing is the spell of futures of which none goes dark.
func nothing() Spell {
	x := math.NaN()
	return Spell{x, x, x, x, x}
}

// spell reads the spell off the times at which each future loses the load and gets it back.
func spell(cutoff, back *[Paths]float64) Spell {
	type outage struct{ cut, back float64 }
	var dark []outage
	for i, cut := range cutoff {
		if cut <= week {
			dark = append(dark, outage{cut, back[i]})
		}
	}
	if len(dark) == 0 {
		return nothing()
	}
	slices.SortFunc(dark, func(a, b outage) int { return cmp.Compare(a.cut, b.cut) })
	half := (len(dark) + 1) / 2
	first := 0
	for i := range len(dark) - half + 1 {
		if dark[i+half-1].cut-dark[i].cut < dark[first+half-1].cut-dark[first].cut {
			first = i
		}
	}
	likely := dark[first : first+half]
	s := Spell{From: likely[0].cut, To: likely[half-1].cut}
	s.Early = min(dark[len(dark)/10].cut, s.From)
	returns, lasts := make([]float64, 0, half), make([]float64, 0, half)
	for _, o := range likely {
		returns, lasts = append(returns, o.back), append(lasts, o.back-o.cut) // never less anything is never
	}
	middle := func(x []float64) float64 {
		slices.Sort(x)
		if m := x[len(x)/2]; m < never/2 {
			return m
		}
		return math.NaN()
	}
	switch s.Back = middle(returns); {
	case s.Back >= s.To:
		s.Lasts = s.Back - likely[half/2].cut
	case s.Back < s.To: // some are back before others go
		s.Back, s.Lasts = math.NaN(), middle(lasts)
	default:
		s.Lasts = math.NaN()
	}
	return s
}
