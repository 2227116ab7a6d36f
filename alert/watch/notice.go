package watch

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"ebbwatch/alert"
)

// Watch follows the nodes from look to look: it remembers what each last said and since
// when it is silent, and turns lasting verdicts into notices. It holds no state.
type Watch struct {
	// Dwell is how long a verdict must last before it is told; 12 minutes when zero, since a
	// radio that met radar on its channel is back within ten (EN 301 893).
	Dwell time.Duration
	// Quiet are the hours in which nothing is sent: no trip begins at night, and a node says
	// its last words itself.
	Quiet alert.Quiet
}

// State is what is remembered between looks. It is plain data that marshals to JSON; the
// zero State is the start. A State that was handed out is never changed again.
type State struct {
	At     time.Time           `json:"at"`
	Nodes  map[string]Past     `json:"nodes"`
	Alarms map[string]Standing `json:"alarms"` // by node; house and dashboard have names of their own
	Raised uint64              `json:"raised"` // alarms so far; part of their ids
	// Owed are ends of alarms that the quiet hours hold back; Silence is maintenance.
	Owed    []alert.Notice `json:"owed,omitempty"`
	Silence *alert.Silence `json:"silence,omitempty"`
}

// Past is what is remembered of one node.
type Past struct {
	Silent time.Time     `json:"silent,omitzero"` // since when; zero while it is heard
	Plan   Plan          `json:"plan"`            // as it last said
	Loss   float64       `json:"loss"`            // of probes, over the last hour or so before the silence
	Sun    float64       `json:"sun"`             // hours of full sun since the silence
	Unlit  time.Duration `json:"unlit"`           // of that time the sun was not known; it counts as none
}

// Standing is one alarm, or one that may become one.
type Standing struct {
	Cause Cause         `json:"cause"`          // the verdict that lasts
	For   time.Duration `json:"for"`            // for how long
	Fine  time.Duration `json:"fine,omitempty"` // for how long all is well again
	ID    string        `json:"id,omitempty"`   // empty: no alarm
	Since time.Time     `json:"since,omitzero"`
	Told  Cause         `json:"told,omitempty"` // what was told, or is owed
	Owed  alert.Phase   `json:"owed,omitempty"` // what is still to be said
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
	s.Silence = s.Silence.After(sc.Now.Sub(s.At))
	s.At, s.Nodes, s.Alarms = sc.Now, cloned(s.Nodes), cloned(s.Alarms)
	nodes := make([]Sight, len(sc.Nodes))
	for i, n := range sc.Nodes {
		past := s.Nodes[n.Name].seen(n, sc.Now, dt)
		s.Nodes[n.Name] = past
		nodes[i] = past.fill(n, sc.Now)
	}
	sc.Nodes = nodes
	r := Judge(sc)
	held := s.Silence != nil || w.Quiet.Hold(sc.local(sc.Now))
	var notices []alert.Notice
	if !held {
		notices, s.Owed = s.Owed, nil
	}
	r.House.Of, r.Dashboard.Of = "the house", "the dashboard"
	for _, v := range append([]Verdict{r.House, r.Dashboard}, r.Nodes...) {
		switch n, say := w.keep(&s, sc, v, dt, held); {
		case say && held:
			s.Owed = append(slices.Clone(s.Owed), n)
		case say:
			notices = append(notices, n)
		}
	}
	return s, r, notices
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

// keep follows the verdict on one subject and says when it becomes an alarm, when its cause
// turns out to be another, and when it is over. What cannot be seen holds an alarm. While
// messages are held, only the end of one comes of it, which tells of both ends; of what
// began and ended in maintenance nothing is said.
func (w Watch) keep(s *State, sc Scene, v Verdict, dt time.Duration, held bool) (alert.Notice, bool) {
	a := s.Alarms[v.Of]
	defer func() { s.Alarms[v.Of] = a }()
	switch {
	case v.Alarm && v.Cause == a.Cause:
		a.For, a.Fine = a.For+dt, 0
	case v.Alarm:
		a.Cause, a.For, a.Fine = v.Cause, 0, 0
	case v.Cause == Fine:
		a.Fine += dt
	}
	switch lasting := v.Alarm && (a.For >= cmp.Or(w.Dwell, 12*time.Minute) || v.Cause == Overdue); {
	case lasting && a.ID == "":
		s.Raised++
		a.Since, a.Told, a.Owed = sc.Now, v.Cause, alert.Raised
		a.ID = fmt.Sprintf("%s.watch.%s.%d", strings.ReplaceAll(v.Of, " ", "-"), sc.Now.UTC().Format("20060102T150405Z"), s.Raised)
	case lasting && v.Cause != a.Told && v.Cause != CannotTell:
		a.Told, a.Owed = v.Cause, cmp.Or(a.Owed, alert.Changed)
	case a.ID != "" && a.Fine >= 5*time.Minute:
		n, untold := sc.over(v, a), a.Owed == alert.Raised
		a = Standing{}
		return n, !untold || s.Silence == nil
	case a.ID == "" && v.Cause == Fine:
		a = Standing{}
	}
	if a.Owed == "" || held || !v.Alarm {
		return alert.Notice{}, false
	}
	n := sc.notice(v, a, a.Owed)
	a.Owed = ""
	return n, true
}

// words are the title and what follows if nothing is done.
func words(c Cause) (title, ifNothing string) {
	switch c {
	case Overdue:
		return "not back though it should be", "it stays dark: it would be back by now if it could."
	case Power:
		return "silent, probably without power", "it comes back by itself if only the battery was empty and the sun returns; after a fuse or a fault it does not."
	case Link:
		return "silent, probably the link", "it may come back with better weather; a fallen aerial or a wet plug does not."
	case Board:
		return "the node is silent, its site is up", "nobody watches its battery until the node is started again."
	case House:
		return "nothing can be heard from here", "no node can be watched, and none can warn."
	case Dashboard:
		return "it shows nothing new", "the nodes are watched from here; only the picture is missing."
	}
	return "silent, and nothing tells why", "wait for the next sun before a trip: a node that was only empty is back then."
}

func (s Scene) notice(v Verdict, a Standing, p alert.Phase) alert.Notice {
	title, ifNothing := words(v.Cause)
	text := fmt.Sprintf("%s: %s.\n", v.Of, title)
	if len(v.For) > 0 {
		text += "For it: " + strings.Join(v.For, "; ") + ".\n"
	}
	if len(v.Against) > 0 {
		text += "Against it, or open: " + strings.Join(v.Against, "; ") + ".\n"
	}
	text += "If nothing is done: " + ifNothing + "\nTo mute: where the watcher runs, ebbwatch silence --for 24h --why \"…\" with its configuration.\nAs of " + s.clock(s.Now) + "."
	severity := alert.Warning
	if v.Cause == Overdue || v.Cause == House {
		severity = alert.Critical
	}
	return alert.Notice{
		ID: a.ID, Site: v.Of, Rule: "watch", Phase: p, Severity: severity, At: s.Now, Since: a.Since,
		Title: v.Of + ": " + title, Text: text, Advice: append([]string{}, v.Bring...), Facts: map[string]float64{},
	}
}

func (s Scene) over(v Verdict, a Standing) alert.Notice {
	title, _ := words(a.Told)
	n := s.notice(v, a, alert.Cleared)
	n.Severity, n.Advice = alert.Warning, []string{}
	n.Title = v.Of + ": heard again"
	n.Text = fmt.Sprintf("%s is well again as of %s. Since %s it was: %s.", v.Of, s.clock(s.Now), s.clock(a.Since), title)
	return n
}
