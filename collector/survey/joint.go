package survey

import (
	"cmp"
	"math"
	"slices"
)

// choice is what one quantity can be: its candidates, with the logarithms of their
// probabilities, and that of being nowhere.
type choice struct {
	options []weighed
	nowhere float64
}

// keep drops what is too improbable to matter.
func (c choice) keep() choice {
	best := c.nowhere
	for _, o := range c.options {
		best = max(best, o.log)
	}
	return choice{slices.DeleteFunc(c.options, func(o weighed) bool { return o.log < best-unlikely }), c.nowhere}
}

const (
	unlikely = 12  // as a logarithm: a hundred thousandth
	mostWays = 500 // of giving out the registers that are followed at a time
)

// way is one way to give registers to the quantities so far: none gets two.
type way struct {
	log   float64
	picks []int // the option of each quantity; -1 for nowhere
	taken []Address
}

// shares tells for each quantity and option how probable it is, together with the others,
// and the logarithm of the probability of it all.
func shares(choices []choice) (odds [][]float64, total float64) {
	odds = make([][]float64, len(choices))
	for i, c := range choices {
		odds[i] = make([]float64, len(c.options))
	}
	for _, part := range parts(choices) {
		ways := spread(choices, part)
		best, sum := ways[0].log, 0.0
		for _, w := range ways {
			sum += math.Exp(w.log - best)
		}
		for _, w := range ways {
			for k, i := range part {
				if o := w.picks[k]; o >= 0 {
					odds[i][o] += math.Exp(w.log-best) / sum
				}
			}
		}
		total += best + math.Log(sum)
	}
	return odds, total
}

// spread gives the ways to give out registers to some of the quantities, the likeliest first.
func spread(choices []choice, part []int) []way {
	ways := []way{{}}
	for _, i := range part {
		var next []way
		for _, w := range ways {
			next = append(next, way{w.log + choices[i].nowhere, append(slices.Clone(w.picks), -1), w.taken})
			for k, o := range choices[i].options {
				takes := o.takes()
				if slices.ContainsFunc(takes, func(a Address) bool { return slices.Contains(w.taken, a) }) {
					continue
				}
				next = append(next, way{w.log + o.log, append(slices.Clone(w.picks), k), slices.Concat(w.taken, takes)})
			}
		}
		slices.SortFunc(next, func(a, b way) int { return cmp.Compare(b.log, a.log) })
		next = next[:min(len(next), mostWays)]
		ways = slices.DeleteFunc(next, func(w way) bool { return w.log < next[0].log-unlikely })
	}
	return ways
}

// parts puts the quantities together that want the same registers.
func parts(choices []choice) [][]int {
	owner := map[Address]int{}
	of := make([]int, len(choices))
	for i := range choices {
		of[i] = i
	}
	for i, c := range choices {
		for _, o := range c.options {
			for _, a := range o.takes() {
				if j, taken := owner[a]; taken {
					from, to := of[i], of[j]
					for k := range of {
						if of[k] == from {
							of[k] = to
						}
					}
				}
				owner[a] = i
			}
		}
	}
	var out [][]int
	for p := range choices {
		var part []int
		for i := range of {
			if of[i] == p {
				part = append(part, i)
			}
		}
		if part != nil {
			out = append(out, part)
		}
	}
	return out
}
