package core

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"ebbwatch/alert"
	"ebbwatch/cmd/internal/facts"
	"ebbwatch/collector/reading"
)

// Snapshot is everything the core knows at the moment now. It shares nothing that changes.
func (c *Core) Snapshot(now reading.Stamp) *facts.Snapshot {
	s := c.facts(now)
	for _, a := range c.rules(s).Active(c.engine, now.Wall, c.index.Lookup(s)) {
		x := facts.Alarm{
			ID: a.ID, Short: alert.Short(a.ID), Rule: a.Rule, Of: a.Of, Severity: string(a.Severity), Since: a.Since,
			Acknowledged: a.Acknowledged, Title: a.Title, Text: a.Text, Advice: a.Advice,
		}
		if a.Muted > 0 {
			x.MutedUntil = s.Local(now.Wall.Add(a.Muted)).Truncate(time.Second)
		}
		s.Alarms = append(s.Alarms, x)
	}
	if m := c.engine.Silence; m != nil {
		until := s.Local(now.Wall.Add(m.Left)).Format("Mon 15:04")
		s.Problems = append(s.Problems, "somebody works here until "+until+": "+m.Why+"; nothing is sent, and the outlook learns nothing")
	}
	for _, name := range slices.Sorted(maps.Keys(c.engine.Mutes)) {
		m := c.engine.Mutes[name]
		said := fmt.Sprintf("muted until %s: %s", s.Local(now.Wall.Add(m.Left)).Format("Mon 15:04"), name)
		if m.Why != "" {
			said += " (" + m.Why + ")"
		}
		s.Problems = append(s.Problems, said)
	}
	for _, ch := range c.channels {
		if ch.Refusing > 0 {
			s.Problems = append(s.Problems, fmt.Sprintf("the channel %s turns notices down: %s", ch.Name, ch.Err))
		}
	}
	return s
}

// SetChannels tells how the ways to the owner do, for the page and the rules. The list is
// not changed afterwards.
func (c *Core) SetChannels(all []facts.Channel) { c.channels = all }

// Standing are the notices of what was told and is not over.
func (c *Core) Standing(now reading.Stamp) []alert.Notice {
	s := c.facts(now)
	return c.rules(s).Standing(c.engine, now.Wall, c.index.Lookup(s))
}

// rules is the engine with the words that no fact holds.
func (c *Core) rules(s *facts.Snapshot) alert.Engine {
	e := c.plan.Engine
	e.Say = func(what, of string) string {
		switch what {
		case "knowledge":
			_, why := facts.KnowledgeOf(s)
			return strings.Join(why, "; ")
		case "lost":
			for _, x := range s.Sources {
				if x.Name == of {
					return x.LostWords()
				}
			}
		}
		return ""
	}
	return e
}

// facts is the snapshot without the alarms, which are judged by it.
func (c *Core) facts(now reading.Stamp) *facts.Snapshot {
	s := &facts.Snapshot{
		Site: c.plan.Site, Zone: c.plan.Zone, At: now, Started: c.first,
		Reading: c.measured(now),
		Belief:  c.belief, Battery: c.plan.Battery, Array: c.plan.Array, Outlook: c.outlook,
		Offers: slices.Clone(c.offers),
		Energy: maps.Clone(c.memory.Energy),
		Extra:  c.extras(now),
		Ledger: c.memory.Outlook.Ledger.Report().Words(), Heard: c.heard(now),
		Lessons:  c.memory.Outlook.Lessons(),
		Channels: c.channels,
	}
	s.Unready = c.unready()
	s.Ready = len(s.Unready) == 0
	for _, src := range c.sources {
		s.Sources = append(s.Sources, src.fact(now, c.first, c.every(src)))
		s.Sources[len(s.Sources)-1].Lost = src.lost(&s.Reading)
		for _, p := range src.peerFacts(now, c.every(src)) {
			s.Peers = merged(s.Peers, p)
		}
	}
	return s
}

// heard is how long ago the battery's instruments last said something, over restarts; negative
// when they never did.
func (c *Core) heard(now reading.Stamp) time.Duration {
	if !c.memory.Heard {
		return -1
	}
	return max(0, now.Mono+c.shift-c.memory.HeardAt)
}

// merged adds what one source knows of a peer. Two sources may know the same one: the first
// in the configuration that knows something counts.
func merged(peers []facts.Peer, p facts.Peer) []facts.Peer {
	i := slices.IndexFunc(peers, func(have facts.Peer) bool { return have.Name == p.Name })
	switch {
	case i < 0:
		return append(peers, p)
	case !peers[i].Known && p.Known:
		peers[i] = p
	}
	return peers
}

// unready says what is still waited for: each source is to be asked at least once.
func (c *Core) unready() []string {
	var waits []string
	if !c.started {
		waits = append(waits, "no step was made yet")
	}
	for _, s := range c.sources {
		if !s.tried {
			waits = append(waits, "source "+s.plan.Name+" was not asked yet")
		}
	}
	return waits
}

// silence is how long a source has said nothing: since its last good answer, or since the
// start when it never gave one.
func (s *source) silence(now, first reading.Stamp) time.Duration {
	if s.ever {
		return now.Mono - s.good
	}
	return now.Mono - first.Mono
}
