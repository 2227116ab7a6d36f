package alert

import (
	"maps"
	"slices"
	"time"
)

// State is all that the engine remembers between steps. It is plain data that marshals to
// JSON; the zero State is the start. A State that was handed out is never changed again.
type State struct {
	At      time.Time         `json:"at"`               // of the last step, wall clock
	Trusted bool              `json:"trusted"`          // the clock was not known to be wrong
	Elapsed time.Duration     `json:"elapsed"`          // since the first step, free of clock steps
	Raised  uint64            `json:"raised"`           // alarms so far; part of their ids
	Tracks  map[string]Track  `json:"tracks"`           // by rule, or rule/instance
	Owed    []Notice          `json:"owed"`             // clears that are held back
	Series  map[string]Series `json:"series,omitempty"` // of the facts that conditions ask for over a span
	Silence *Silence          `json:"silence,omitempty"`
	Mutes   map[string]Mute   `json:"mutes,omitempty"` // by rule, or rule/instance
}

// Track is what is remembered of one rule, or of one instance of it.
type Track struct {
	Rungs []Dwell `json:"rungs"` // how long the condition of each rung has held
	Lower Dwell   `json:"lower"` // how long that of the present rung has not
	Clear Dwell   `json:"clear"`

	ID        string             `json:"id,omitempty"` // empty: no alarm
	Since     time.Time          `json:"since,omitzero"`
	Began     time.Duration      `json:"began,omitempty"` // State.Elapsed at the raise
	Rung      int                `json:"rung,omitempty"`
	Owed      Phase              `json:"owed,omitempty"` // what is still to be said
	Told      bool               `json:"told,omitempty"` // the raise was handed out
	Gravest   Severity           `json:"gravest,omitempty"`
	Said      []Severity         `json:"said,omitempty"` // the severities that it was told with
	ToldAt    time.Duration      `json:"told_at,omitempty"`
	ToldRung  int                `json:"told_rung,omitempty"` // on which it stood then
	Watched   *float64           `json:"watched,omitempty"`   // the watched fact as last told
	ActBy     *time.Duration     `json:"act_by,omitempty"`    // in terms of State.Elapsed
	Acked     bool               `json:"acked,omitempty"`
	Reminded  bool               `json:"reminded,omitempty"` // what is owed is a reminder
	Escalated bool               `json:"escalated,omitempty"`
	First     time.Time          `json:"first,omitzero"`  // when it was first told, wall clock
	Facts     map[string]float64 `json:"facts,omitempty"` // as told at the raise
}

// Dwell counts for how long a condition has held.
type Dwell struct {
	On  bool          `json:"on,omitempty"`
	For time.Duration `json:"for,omitempty"`
}

// step counts dt where the condition held at both ends. An unknown condition stops the
// count and keeps it.
func (d Dwell) step(t Truth, dt time.Duration) Dwell {
	switch {
	case t == False:
		return Dwell{}
	case t == Unknown:
		return Dwell{For: d.For}
	case d.On:
		d.For += dt
	}
	d.On = true
	return d
}

// met tells whether the condition holds now and has for long enough.
func (d Dwell) met(need time.Duration) bool { return d.On && d.For >= need }

// Silenced starts maintenance for a time d, or replaces the one that runs.
func (s State) Silenced(now time.Time, d time.Duration, why string) State {
	s.Silence = &Silence{From: now, Left: d, Why: why}
	return s
}

// Unsilenced ends maintenance.
func (s State) Unsilenced() State {
	s.Silence = nil
	return s
}

// copied is a State whose maps and lists may be changed.
func (s State) copied() State {
	s.Tracks = maps.Clone(s.Tracks)
	if s.Tracks == nil {
		s.Tracks = map[string]Track{}
	}
	s.Owed = slices.Clone(s.Owed)
	return s
}

// advance moves the state's clocks on to now and gives the time to count as dwell. The wall
// clock may have stepped, and the daemon may have been off: dwell counts at most limit.
// Elapsed takes a longer gap in only where the clock was trusted at both ends.
func (s *State) advance(now time.Time, trusted bool, limit time.Duration) time.Duration {
	gap := now.Sub(s.At)
	if s.At.IsZero() || gap < 0 {
		gap = 0
	}
	dt := min(gap, limit)
	if trusted && s.Trusted {
		s.Elapsed += gap
	} else {
		s.Elapsed += dt
	}
	s.At, s.Trusted = now, trusted
	s.Silence, s.Mutes = s.Silence.After(gap), after(s.Mutes, gap)
	return dt
}
