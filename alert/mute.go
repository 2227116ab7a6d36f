package alert

import (
	"maps"
	"slices"
	"strings"
	"time"
)

// Mute keeps the messages of a rule, or of one instance of it, back for a time. What grows
// graver than UpTo is told all the same, and so is the end of what was told. It is never
// changed.
type Mute struct {
	Left time.Duration `json:"left"` // counts down, so that a clock step cannot stretch it
	Why  string        `json:"why,omitempty"`
	UpTo Severity      `json:"up_to"`
}

// Short is the short form of an alarm's id, for a person to type: the count in it, which no two
// alarms share while they are active.
func Short(id string) string { return id[strings.LastIndexByte(id, '.')+1:] }

// find gives the keys of what a person names: an alarm by its id, long or short, or a rule, or
// a rule at one instance as rule/instance. Every rule that the last step knew is found.
func (s State) find(name string) (keys []string) {
	for _, key := range slices.Sorted(maps.Keys(s.Tracks)) {
		id := s.Tracks[key].ID
		rule, _, _ := strings.Cut(key, "/")
		if name == key || name == rule || id != "" && (name == id || name == Short(id)) {
			keys = append(keys, key)
		}
	}
	return keys
}

// Muted keeps quiet for a time what a person names, see [State.Acknowledge]; a rule may be muted
// before it says anything. An alarm is muted as it stands: it is heard again when it grows graver.
// ok is false when there is nothing of that name.
func (s State) Muted(name string, d time.Duration, why string) (next State, ok bool) {
	keys := s.find(name)
	if len(keys) == 0 {
		return s, false
	}
	s.Mutes = maps.Clone(s.Mutes)
	if s.Mutes == nil {
		s.Mutes = map[string]Mute{}
	}
	for _, key := range keys {
		m := Mute{Left: d, Why: why, UpTo: Critical}
		if t := s.Tracks[key]; t.ID != "" {
			m.UpTo = graver(t.Gravest, Info)
		}
		s.Mutes[key] = m
	}
	return s, true
}

// Unmuted ends the mutes of what a person names. ok is false when nothing of that name is muted.
func (s State) Unmuted(name string) (next State, ok bool) {
	s.Mutes = maps.Clone(s.Mutes)
	for _, key := range append(s.find(name), name) { // its rule may be gone from the configuration
		if _, muted := s.Mutes[key]; muted {
			delete(s.Mutes, key)
			ok = true
		}
	}
	return s, ok
}

// Acknowledge marks as seen by their owner the active alarms that a person names, by id, long or
// short, by rule, or by rule/instance, which ends their escalation. ok is false when there is none.
func (s State) Acknowledge(name string) (next State, ok bool) {
	s.Tracks = maps.Clone(s.Tracks)
	for _, key := range s.find(name) {
		if t := s.Tracks[key]; t.ID != "" {
			t.Acked, ok = true, true
			s.Tracks[key] = t
		}
	}
	return s, ok
}

// after are the mutes that are left after a while.
func after(mutes map[string]Mute, gap time.Duration) map[string]Mute {
	var left map[string]Mute
	for key, m := range mutes {
		if m.Left > gap {
			if left == nil {
				left = map[string]Mute{}
			}
			m.Left -= gap
			left[key] = m
		}
	}
	return left
}

// mutedFor is how long what the alarm says now is still kept back; 0: it is not.
func (u *use) mutedFor() time.Duration {
	if m, ok := u.s.Mutes[u.key()]; ok && m.UpTo.AtLeast(u.spoken().Severity) {
		return m.Left
	}
	return 0
}

func (u *use) muted() bool { return u.mutedFor() > 0 }
