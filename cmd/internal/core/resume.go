package core

import (
	"time"

	"ebbwatch/collector/plausible"
	"ebbwatch/collector/reading"
	"ebbwatch/estimator/battery"
	"ebbwatch/estimator/outlook"
)

// Sure is the band of the charge when the battery was last read.
type Sure struct{ Low, High float64 }

// Memory is what the core remembers over a restart.
type Memory struct {
	Belief  battery.State
	Outlook outlook.State
	Energy  map[string]float64
	Today   Today
	Days    []Today                    `json:",omitempty"` // whole ones past, the last at the end
	Doubts  map[string]plausible.State // by source
	Mono    time.Duration              // of the belief when it was saved; it goes on over restarts
	Wall    time.Time                  // when it was saved
	Trusted bool                       // Wall is right
	Boot    string                     // the start of the board in which it was saved
	Up      time.Duration              // how long the board was up then
	Seen    time.Time                  // the last moment of which a right clock told; zero for none
	Ran     time.Duration              // known to have passed since then
	Lost    bool                       // and besides an absence of unknown length
	Outage  Outage
	Heard   bool          // the battery's instruments ever said something that was believed
	Sure    Sure          // what was believed then
	HeardAt time.Duration // when they last did, on the belief's own clock
}

// Resume takes up what an earlier run remembered. The time between, in which nobody looked,
// counts for the belief. While the board stays up its own clock tells it, which nobody can
// step; after a start of the board the wall clock does. Where that is not trusted, the charge
// is less sure until [Core.settle] learns how long it was.
func (c *Core) Resume(m Memory, now reading.Stamp) {
	if m.Energy == nil {
		m.Energy = map[string]float64{}
	}
	if m.Seen.IsZero() && m.Trusted { // kept by a program that noted no more
		m.Seen = m.Wall
	}
	if len(m.Energy) > 0 && !m.Heard { // kept by a program that did not note it
		m.Heard, m.HeardAt = true, m.Mono
	}
	c.memory = m
	for _, s := range c.sources {
		s.doubt = m.Doubts[s.plan.Name]
		s.doubt.Started = false // its clock was that of the last run
	}
	away, known := c.away(now)
	if !known {
		c.memory.Lost = !m.Seen.IsZero()
		c.memory.Belief = c.battery.Interrupted(m.Belief)
	}
	c.absent, c.leftAt, c.leftEmpty = true, m.Mono, m.Outlook.Last.Empty || m.Heard && m.Sure.Low < 0.08
	c.memory.Ran += away
	c.shift = m.Mono + away - now.Mono
}

// longestClaim is the longest absence that is believed of a clock that nobody vouches for: one
// that kept going is off by minutes, one that was made up, by any time.
const longestClaim = 7 * 24 * time.Hour

// away is how long the program was away, and whether that is known: a clock that nobody
// vouches for gives what it is likely to have been where it is plausible at all.
func (c *Core) away(now reading.Stamp) (d time.Duration, known bool) {
	m := &c.memory
	if m.Boot != "" && m.Boot == c.plan.Boot {
		return max(0, c.plan.Up+now.Mono-m.Up), true
	}
	if gap := now.Wall.Sub(m.Wall); m.Trusted && gap >= 0 && (now.Trusted || gap < longestClaim && c.plausible(now)) {
		return gap, now.Trusted
	}
	return 0, false
}

// settle counts an absence of unknown length once the clock is right, be that runs later. After
// a full since the start it does not matter any more how long it was, and to count it in would
// age what was told anew.
func (c *Core) settle(now reading.Stamp) {
	m := &c.memory
	if c.started {
		m.Ran += now.Mono - c.last.Mono
	}
	if !now.Trusted {
		return
	}
	full := c.belief.SinceFull >= 0 && c.belief.SinceFull < c.last.Mono-c.first.Mono
	if m.Lost && !full {
		c.shift += max(0, now.Wall.Sub(m.Seen)-m.Ran)
	}
	m.Seen, m.Ran, m.Lost = now.Wall, 0, false
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
