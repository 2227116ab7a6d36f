package sky

import "math/rand/v2"

// Chain draws days one after another from the published transition matrices: a second,
// independent model of the same thing. Plans that need only plausible years may use it, and
// the tests hold the process against it.
type Chain struct {
	m     matrix
	state int
}

// NewChain starts a chain for a month's mean clearness, in the middle of its range.
func NewChain(monthlyKt float64) Chain {
	class := 0
	if monthlyKt > 0.30 {
		class = min(9, 1+int((monthlyKt-0.30)/0.05))
	}
	return Chain{m: transitions()[class], state: 5}
}

// Next is the chain a day later and that day's clearness.
func (c Chain) Next(rng *rand.Rand) (Chain, float64) {
	row := c.m.to[c.state]
	sum := 0.0
	for _, p := range row {
		sum += float64(p)
	}
	at, step := rng.Float64()*sum, 0
	for step < 9 && at >= float64(row[step]) {
		at -= float64(row[step])
		step++
	}
	part := 0.5
	if row[step] > 0 {
		part = min(1, at/float64(row[step]))
	}
	c.state = step
	return c, c.m.min + (float64(step)+part)*(c.m.max-c.m.min)/10
}
