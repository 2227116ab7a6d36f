package heartbeat

import (
	"fmt"
	"time"

	"ebbwatch/cmd/internal/facts"
)

// health follows snapshots. Their age is taken by our own clock from when each was first
// seen: the loop's clock may be the one that is wrong, or simulated.
type health struct {
	mono  time.Duration
	seen  time.Time
	began bool
	stuck map[string]time.Time // since when notices wait on a channel that fails
}

// look says why all is not well, for people; empty when it is.
func (h *health) look(s *facts.Snapshot, now time.Time) string {
	if s == nil {
		return "the daemon has not begun"
	}
	if !h.began || s.At.Mono != h.mono {
		h.mono, h.seen, h.began = s.At.Mono, now, true
	}
	box := h.outbox(s, now)
	switch {
	case now.Sub(h.seen) > loopLimit:
		return "the loop makes no progress"
	case !heard(s):
		return "no instrument is heard"
	}
	return box
}

// heard tells whether at least one source gives fresh values. One that is silent among
// several is told by an alarm; that all are silent may be because nothing works any more.
func heard(s *facts.Snapshot) bool {
	for _, x := range s.Sources {
		if x.Age >= 0 && x.Age <= max(5*time.Minute, 5*x.Every) {
			return true
		}
	}
	return len(s.Sources) == 0 && s.Ready
}

// outbox tells of channels whose notices wait while every try fails, where no channel works:
// else the owner hears of it through that one. A channel that turns notices down is told of
// in any case, since nothing but a hand will mend it.
func (h *health) outbox(s *facts.Snapshot, now time.Time) string {
	if h.stuck == nil {
		h.stuck = map[string]time.Time{}
	}
	bad, name := 0, ""
	for _, c := range s.Channels {
		if c.Waiting == 0 || c.Err == "" && c.Refusing == 0 {
			delete(h.stuck, c.Name)
			continue
		}
		if h.stuck[c.Name].IsZero() {
			h.stuck[c.Name] = now
		}
		lasts := now.Sub(h.stuck[c.Name]) >= boxLimit
		if lasts && c.Refusing > 0 {
			return fmt.Sprintf("the channel %s turns notices down", c.Name)
		}
		if lasts {
			bad, name = bad+1, c.Name
		}
	}
	if bad > 0 && bad == len(s.Channels) {
		return fmt.Sprintf("notices wait for %s and cannot be delivered", name)
	}
	return ""
}
