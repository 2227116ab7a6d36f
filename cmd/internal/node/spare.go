package node

import (
	"time"

	"ebbwatch/collector/reading"
)

// A low battery is better spent on the link than on questions and on a memory card. Polls thin
// out threefold, but never beyond sparsest: the count of the battery wants to hear of the
// current. The belief is saved half as often. What no warning may be lost from, [Alerts], is
// saved at once as ever.
const (
	thinning = 3
	sparsest = 5 * time.Minute
	saveLate = time.Hour
)

// saveDue tells whether the belief is to be saved.
func (l *Loop) saveDue(now reading.Stamp) bool {
	every := saveEvery
	if l.sparing.Load() {
		every = saveLate
	}
	return now.Mono-l.saved >= every
}

// stretched is the period of a source while polls are thinned out.
func stretched(every time.Duration) time.Duration {
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

// Spare tells the core that its sources are polled less often, and that less is written: their
// values stay fresh for longer, and the facts say so.
func (c *Core) Spare(yes bool) { c.sparing = yes }

// Hear takes in facts that other parts learnt; they hold until the next.
func (c *Core) Hear(extras map[string]float64) { c.heard = extras }

// every is the period of a source as it is polled now.
func (c *Core) every(s *source) time.Duration {
	if c.sparing {
		return stretched(s.plan.Every)
	}
	return s.plan.Every
}

// period is what a poller asks before each poll.
func (l *Loop) period(every time.Duration) func() time.Duration {
	return func() time.Duration {
		if l.sparing.Load() {
			return l.real(stretched(every))
		}
		return l.real(every)
	}
}

// spare thins polls out, or ends that, when the belief says so.
func (l *Loop) spare() {
	was := l.sparing.Load()
	low := l.core.Low(was)
	if low == was {
		return
	}
	l.sparing.Store(low)
	l.core.Spare(low)
	if low {
		l.Log.Warn("the battery is low: instruments are asked a third as often, and the record is written a third as often, until it recovers")
		return
	}
	l.Log.Info("the battery has recovered: instruments are asked as often as configured, and the record is written as usual")
}
