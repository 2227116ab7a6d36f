package watch

import (
	"maps"
	"time"

	"ebbwatch/alert"
)

// Watch follows the nodes from look to look: it remembers what each last said and since
// when it is silent, and has the rules of the package judge what lasts. It holds no state.
type Watch struct {
	// Dwell is how long a verdict must last before it is told; 12 minutes when zero, since a
	// radio that met radar on its channel is back within ten (EN 301 893).
	Dwell time.Duration
	// Quiet are the hours in which nothing is sent: no trip begins at night, and a node says
	// its last words itself.
	Quiet alert.Quiet
	// Escalate: there is a second person, to be told what nobody acknowledged in time.
	Escalate bool
}

// State is what is remembered between looks. It is plain data that marshals to JSON; the
// zero State is the start. A State that was handed out is never changed again.
type State struct {
	At     time.Time       `json:"at"`
	Nodes  map[string]Past `json:"nodes"`
	Alerts alert.State     `json:"alerts"`
	// Alarms and Raised are as a version before alert.State kept them; see [State.upgraded].
	Alarms map[string]legacyAlarm `json:"alarms,omitempty"`
	Raised uint64                 `json:"raised,omitempty"`
}

// Past is what is remembered of one node.
type Past struct {
	Silent time.Time     `json:"silent,omitzero"` // since when; zero while it is heard
	Plan   Plan          `json:"plan"`            // as it last said
	Loss   float64       `json:"loss"`            // of probes, over the last hour or so before the silence
	Sun    float64       `json:"sun"`             // hours of full sun since the silence
	Unlit  time.Duration `json:"unlit"`           // of that time the sun was not known; it counts as none
}

// Step takes one look. The scene tells what was seen now: of a node that is heard its plan,
// in LossBefore the share of probes lost since the last look, and in SunSince the hours of
// full sun since then; what is remembered is filled in here. The caller asks often enough
// that one lost probe does not make a node silent.
func (w Watch) Step(s State, sc Scene) (State, Report, []alert.Notice) {
	dt := min(max(0, sc.Now.Sub(s.At)), 15*time.Minute)
	if s.At.IsZero() {
		dt = 0
	}
	s = s.upgraded()
	s.At, s.Nodes = sc.Now, cloned(s.Nodes)
	nodes := make([]Sight, len(sc.Nodes))
	for i, n := range sc.Nodes {
		past := s.Nodes[n.Name].seen(n, sc.Now, dt)
		s.Nodes[n.Name] = past
		nodes[i] = past.fill(n, sc.Now)
	}
	sc.Nodes = nodes
	r := Judge(sc)
	r.House.Of, r.Dashboard.Of = "the house", "the dashboard"
	var notices []alert.Notice
	s.Alerts, notices = w.engine(r, sc.Zone).Step(s.Alerts, sc.Now, r.lookup())
	return s, r, notices
}

// Standing are the notices of the alarms that were told and are not over; see [alert.Resender].
func (w Watch) Standing(s State, r Report, now time.Time, zone *time.Location) []alert.Notice {
	return w.engine(r, zone).Standing(s.Alerts, now, r.lookup())
}

func cloned[V any](m map[string]V) map[string]V {
	if m == nil {
		return map[string]V{}
	}
	return maps.Clone(m)
}

// lossMemory is over which time lost probes are averaged.
const lossMemory = time.Hour

// seen is what is remembered after a look.
func (p Past) seen(n Sight, now time.Time, dt time.Duration) Past {
	switch n.Board {
	case Yes:
		share := min(1, dt.Hours()/lossMemory.Hours())
		loss := p.Loss + share*(n.LossBefore-p.Loss)
		plan := p.Plan
		if !n.Plan.Stated.IsZero() {
			plan = n.Plan
		}
		return Past{Plan: plan, Loss: loss}
	case No:
		if p.Silent.IsZero() {
			p.Silent = now
		}
		if n.SunKnown {
			p.Sun += n.SunSince
		} else {
			p.Unlit += dt
		}
	}
	return p
}

// fill puts what is remembered into a sight.
// Sun that was not known for some time, perhaps because the panel that tells it is in the
// dark too, counts as none; when most of it was not, nothing is known.
func (p Past) fill(n Sight, now time.Time) Sight {
	if n.Board == Yes {
		return n
	}
	n.Plan, n.SilentSince, n.LossBefore, n.SunSince, n.SunKnown = p.Plan, p.Silent, p.Loss, p.Sun, 2*p.Unlit <= now.Sub(p.Silent)
	return n
}
