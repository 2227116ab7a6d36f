package watcher

import (
	"slices"
	"time"

	"ebbwatch/alert/watch"
	"ebbwatch/cmd/internal/daemon"
	"ebbwatch/cmd/internal/facts"
)

// View is what the watcher knows at one moment. It is never changed again, so readers need
// no lock. It is the answer of /api/v1/state too: fields are added, never renamed.
type View struct {
	Site      string          `json:"site"`
	At        time.Time       `json:"at"`
	House     Judged          `json:"house"`
	Dashboard Judged          `json:"dashboard"`
	Nodes     []NodeView      `json:"nodes"`
	Channels  []facts.Channel `json:"-"`
	Waiting   int             `json:"notices_waiting"`
	Problems  []string        `json:"problems,omitempty"`
	Silence   *Silenced       `json:"silence,omitempty"` // maintenance: nothing is sent
}

// Silenced is a time of maintenance.
type Silenced struct {
	Until time.Time `json:"until"`
	Why   string    `json:"why"`
}

// Judged is a verdict with its evidence.
type Judged struct {
	Cause   watch.Cause `json:"cause"`
	Alarm   bool        `json:"alarm"`
	Behind  string      `json:"behind,omitempty"`
	For     []string    `json:"for,omitempty"`
	Against []string    `json:"against,omitempty"`
	Bring   []string    `json:"bring,omitempty"`
}

// NodeView is one node. What is not known is left out.
type NodeView struct {
	Name   string `json:"name"`
	Heard  *bool  `json:"heard,omitempty"`
	Board  *bool  `json:"board_answers,omitempty"` // an echo or a connection: nothing more than that it is switched on
	Radio  *bool  `json:"radio_heard,omitempty"`
	Error  string `json:"error,omitempty"` // why the last question went unanswered
	Judged `json:"verdict"`
	Silent *time.Time `json:"silent_since,omitempty"`
	// What it last said of itself.
	Stated *time.Time `json:"stated,omitempty"`
	Charge *float64   `json:"soc,omitempty"`
	Chance *float64   `json:"cutoff_within_24h,omitempty"`
	Dark   *time.Time `json:"expected_dark,omitempty"` // the likely moment of the cut-off
	Back   *time.Time `json:"expected_back,omitempty"`
	Late   *time.Time `json:"expected_back_latest,omitempty"` // later than that it is overdue
}

func judged(v watch.Verdict) Judged {
	return Judged{Cause: v.Cause, Alarm: v.Alarm, Behind: v.Behind, For: v.For, Against: v.Against, Bring: v.Bring}
}

// known is yes, no, or nil for what nobody can tell.
func known(s watch.Seen) *bool {
	if s == watch.Unknown {
		return nil
	}
	yes := s == watch.Yes
	return &yes
}

func (w *Watcher) local(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	if zone := w.Config.Site.Zone; zone != nil {
		t = t.In(zone)
	}
	t = t.Truncate(time.Second)
	return &t
}

func (w *Watcher) viewOf(now time.Time, scene watch.Scene, r watch.Report) *View {
	v := &View{Site: w.Config.Site.Name, At: *w.local(now), House: judged(r.House), Dashboard: judged(r.Dashboard), Channels: daemon.ChannelFacts(w.out.Status())}
	if s := w.state.Alerts.Silence; s != nil {
		v.Silence = &Silenced{Until: *w.local(now.Add(s.Left)), Why: s.Why}
	}
	for i, n := range scene.Nodes {
		past := w.state.Nodes[n.Name]
		x := NodeView{Name: n.Name, Heard: known(n.Board), Board: known(n.Answers), Radio: known(n.Radio), Judged: judged(r.Nodes[i]), Silent: w.local(past.Silent)}
		for _, t := range w.ofNode(&w.Config.Nodes[i]) {
			if t.err != "" {
				x.Error = t.err
			}
		}
		if p := past.Plan; !p.Stated.IsZero() {
			x.Stated, x.Charge, x.Chance = w.local(p.Stated), &p.Charge, &p.Chance
			if p.Warns() { // else what it says of a return is of a cut-off that it does not expect
				x.Dark, x.Back, x.Late = w.local(p.Likely), w.local(p.Back), w.local(p.Late)
			}
		}
		v.Nodes = append(v.Nodes, x)
	}
	for _, c := range v.Channels {
		v.Waiting += c.Waiting
	}
	for what, why := range w.problems {
		v.Problems = append(v.Problems, what+": "+why)
	}
	slices.Sort(v.Problems)
	return v
}

// alarms counts what is worth a message.
func (v *View) alarms() (n int) {
	for _, j := range v.Nodes {
		if j.Alarm {
			n++
		}
	}
	return n
}
