package alert

import (
	"math"
	"slices"
)

// mostTries bounds the work on one condition; one with more facts than that allows is let pass.
const mostTries = 50_000

// Always is True for a condition that holds whatever its facts are within their ranges, False for
// one that never does, and Unknown for one that depends on them, as it should: battery_soc < 30
// holds always, for a charge is at most 1. It tries the places where comparisons turn, so that
// one with much arithmetic may pass.
func (e Expr) Always(ranges func(fact string) (least, most float64)) Truth {
	if e.root == nil {
		return Unknown
	}
	turns := []float64{-1, 0, 1}
	var asked []string // whether they are known at all
	e.root.walk(func(n *node) {
		switch n.op {
		case "number":
			turns = append(turns, n.x, -n.x)
		case "known":
			asked = append(asked, n.kids[0].fact)
		}
	})
	names := e.Names()
	values := make([][]float64, len(names))
	tries := 1
	for i, n := range names {
		least, most := rangeOf(n.Fact, ranges)
		values[i] = candidates(turns, least, most)
		if slices.Contains(asked, n.Fact) {
			values[i] = append(values[i], math.NaN()) // not known
		}
		if tries *= len(values[i]); tries > mostTries {
			return Unknown
		}
	}
	said := Unknown
	for try := range tries {
		now := e.Eval(func(name string) (float64, bool) {
			rest := try
			for i, n := range names {
				if n.Fact == name {
					x := values[i][rest%len(values[i])]
					return x, !math.IsNaN(x)
				}
				rest /= len(values[i])
			}
			return 0, false
		})
		if now != Unknown && said != Unknown && now != said {
			return Unknown
		}
		if now != Unknown {
			said = now
		}
	}
	return said
}

// rangeOf is the range of a fact, or of what is computed of it over a span.
func rangeOf(name string, ranges func(fact string) (least, most float64)) (least, most float64) {
	of, fact, _, span := overSpan(name)
	least, most = ranges(fact)
	if span && of == "change" {
		return least - most, most - least
	}
	return least, most
}

// candidates are the values worth a try: the ends of the range, and both sides of each number that
// the condition names.
func candidates(turns []float64, least, most float64) []float64 {
	const far, near = 1e9, 1e-6
	out := []float64{max(least, -far), min(most, far)}
	for _, x := range turns {
		for _, y := range [...]float64{x - near*max(1, math.Abs(x)), x, x + near*max(1, math.Abs(x))} {
			if y >= least && y <= most {
				out = append(out, y)
			}
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}
