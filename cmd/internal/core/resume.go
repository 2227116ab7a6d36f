package core

import (
	"time"

	"ebbwatch/collector/plausible"
	"ebbwatch/collector/reading"
	"ebbwatch/estimator/battery"
	"ebbwatch/estimator/outlook"
)

// Memory is what the core remembers over a restart.
type Memory struct {
	Belief  battery.State
	Outlook outlook.State
	Energy  map[string]float64
	Today   Today
	Doubts  map[string]plausible.State // by source
	Mono    time.Duration              // of the belief when it was saved; it goes on over restarts
	Wall    time.Time                  // when it was saved
	Trusted bool                       // Wall is right
	Boot    string                     // the start of the board in which it was saved
	Up      time.Duration              // how long the board was up then
}

// unknownGap is how long the node is taken to have been away when nobody can tell: the
// charge is then less sure, as after a night without eyes.
const unknownGap = 6 * time.Hour

// Resume takes up what an earlier run remembered. The time between, in which nobody looked,
// counts for the belief. While the board stays up its own clock tells it, which nobody can
// step; after a start of the board the wall clock does. Where that is not trusted yet the time
// is guessed, and put right when trust comes.
func (c *Core) Resume(m Memory, now reading.Stamp) {
	if m.Energy == nil {
		m.Energy = map[string]float64{}
	}
	c.memory = m
	for _, s := range c.sources {
		s.doubt = m.Doubts[s.plan.Name]
		s.doubt.Started = false // its clock was that of the last run
	}
	c.away = unknownGap
	if gap := now.Wall.Sub(m.Wall); m.Trusted && c.plausible(now) {
		c.away = max(0, gap)
	}
	c.guessed = m.Trusted && !now.Trusted
	if m.Boot != "" && m.Boot == c.plan.Boot {
		c.away, c.guessed = max(0, c.plan.Up+now.Mono-m.Up), false
	}
	c.shift = m.Mono + c.away - now.Mono
}

// settle puts a guessed absence right once the clock is trusted. A guess that was too long
// stays: the belief cannot go back in time. After a full since the start it does not matter any
// more how long it was, and to count it in would age what was told anew.
func (c *Core) settle(now reading.Stamp) {
	if !c.guessed || !now.Trusted {
		return
	}
	c.guessed = false
	if b := c.belief; b.SinceFull >= 0 && b.SinceFull < now.Mono-c.first.Mono {
		return
	}
	began := now.Wall.Add(-now.Mono)
	c.shift += max(0, began.Sub(c.memory.Wall)-c.away)
}

// Memory is what should be kept over a restart.
func (c *Core) Memory() Memory {
	m := c.memory
	m.Doubts = map[string]plausible.State{}
	for _, s := range c.sources {
		m.Doubts[s.plan.Name] = s.doubt
	}
	m.Mono, m.Wall, m.Trusted = c.last.Mono+c.shift, c.last.Wall, c.last.Trusted
	m.Boot, m.Up = c.plan.Boot, c.plan.Up+c.last.Mono
	return m
}

// shifted is a reading on the belief's own clock, which goes on over restarts.
func (c *Core) shifted(r reading.Reading) reading.Reading {
	r.Mono += c.shift
	return r
}
