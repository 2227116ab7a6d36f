package alert

import "time"

// Quiet are the hours in which only what can be acted on is sent: [From, To) in minutes
// after local midnight; they may span midnight. Equal: none.
type Quiet struct{ From, To int }

// Hold tells whether a local time lies in the quiet hours.
func (q Quiet) Hold(local time.Time) bool {
	m := local.Hour()*60 + local.Minute()
	if q.From <= q.To {
		return m >= q.From && m < q.To
	}
	return m >= q.From || m < q.To
}

// Silence is a time of maintenance: nothing is sent, and what began and ended in it is
// never sent. It is never changed; nil is none.
type Silence struct {
	From time.Time     `json:"from"`
	Left time.Duration `json:"left"` // counts down, so that a clock step cannot stretch it
	Why  string        `json:"why"`
}

// After is what is left of a silence after a while; nil when it is over.
func (s *Silence) After(gap time.Duration) *Silence {
	if s == nil || s.Left <= gap {
		return nil
	}
	return &Silence{From: s.From, Left: s.Left - gap, Why: s.Why}
}
