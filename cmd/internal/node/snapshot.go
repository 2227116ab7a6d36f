package node

import (
	"maps"
	"time"

	"ebbwatch/cmd/internal/facts"
	"ebbwatch/collector/reading"
)

// Snapshot is everything the core knows at the moment now. It shares nothing that changes.
func (c *Core) Snapshot(now reading.Stamp) *facts.Snapshot {
	s := &facts.Snapshot{
		Site: c.plan.Site, Zone: c.plan.Zone, At: now, Started: c.first,
		Reading: c.measured(now),
		Belief:  c.belief, Battery: c.plan.Battery, Array: c.plan.Array, Outlook: c.outlook,
		Energy: maps.Clone(c.memory.Energy),
		Ready:  c.ready(),
	}
	for _, src := range c.sources {
		s.Sources = append(s.Sources, src.fact(now, c.first))
		s.Peers = append(s.Peers, src.peerFacts(now)...)
	}
	return s
}

// ready tells whether every source was asked at least once.
func (c *Core) ready() bool {
	for _, s := range c.sources {
		if !s.tried {
			return false
		}
	}
	return c.started
}

// silence is how long a source has said nothing: since its last good answer, or since the
// start when it never gave one.
func (s *source) silence(now, first reading.Stamp) time.Duration {
	if s.ever {
		return now.Mono - s.good
	}
	return now.Mono - first.Mono
}
