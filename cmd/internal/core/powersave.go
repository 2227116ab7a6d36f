package core

import "time"

// A low battery is better spent on the link than on questions and on a memory card. Polls thin
// out threefold, but never beyond sparsest: the count of the battery wants to hear of the
// current.
const (
	thinning = 3
	sparsest = 5 * time.Minute
)

// Stretched is the period of a source while polls are thinned out.
func Stretched(every time.Duration) time.Duration {
	return max(every, min(thinning*every, sparsest))
}

// Low tells whether the battery is so low that polls should thin out: the low end of the
// band is below half the reserve, and the best guess below the reserve, so that mere
// ignorance is not taken for need. Once begun it lasts until there is a little to spare.
func (c *Core) Low(already bool) bool {
	if c.belief.High <= 0 {
		return already
	}
	reserve := c.plan.Battery.Reserve
	if already {
		return c.belief.Low < reserve*0.6 && c.belief.SoC < reserve*1.2
	}
	return c.belief.Low < reserve/2 && c.belief.SoC < reserve
}

// SetPowerSave tells the core that its sources are polled less often, and that less is written: their
// values stay fresh for longer, and the facts say so.
func (c *Core) SetPowerSave(yes bool) { c.powerSave = yes }

// SetExternalFacts takes in facts that other parts learnt; they hold until the next.
func (c *Core) SetExternalFacts(extras map[string]float64) { c.external = extras }

// every is the period of a source as it is polled now.
func (c *Core) every(s *source) time.Duration {
	if c.powerSave {
		return Stretched(s.plan.Every)
	}
	return s.plan.Every
}
