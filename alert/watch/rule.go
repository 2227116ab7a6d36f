package watch

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"ebbwatch/alert"
)

// kind is what is told of one cause.
type kind struct {
	cause     Cause
	severity  alert.Severity
	words     string // what is so, after the name of the subject
	ifNothing string // what follows if nothing is done
}

// kinds are the causes that are worth a message. The first tells the least: once another
// was told, the return to it is not news.
func kinds() []kind {
	return []kind{
		{CannotTell, alert.Warning, "silent, and nothing tells why", "wait for the next sun before a trip: a node that was only empty is back then."},
		{Dashboard, alert.Warning, "it shows nothing new", "the nodes are watched from here; only the picture is missing."},
		{Link, alert.Warning, "silent, probably the link", "it may come back with better weather; a fallen aerial or a wet plug does not."},
		{Power, alert.Warning, "silent, probably without power",
			"it comes back by itself if only the battery was empty and the sun returns; after a fuse or a fault it does not."},
		{Board, alert.Warning, "the node says nothing new, its site has power", "nobody watches its battery until the node is started again."},
		{House, alert.Critical, "nothing can be heard from here", "no node can be watched, and none can warn."},
		{Overdue, alert.Critical, "not back though it should be", "it stays dark: it would be back by now if it could."},
	}
}

// rule makes one alarm of what is wrong with a subject, whatever the cause turns out to be.
func (w Watch) rule() alert.Rule {
	r := alert.Rule{
		Name: "watch", Summary: "silent", Each: alert.EachSite, Kinds: true,
		Clear: alert.MustExpr("cause/* == -1"), ClearFor: 5 * time.Minute,
		Mute:      "To mute: where the watcher runs, ebbwatch silence {{alarm}} --for 24h with its configuration.",
		OverTitle: "{{site}}: heard again", Over: "{{site}} is well again. Before, it was: {{rung}}.",
	}
	for i, k := range kinds() {
		g := alert.Rung{
			Name: k.words, Severity: k.severity, For: cmp.Or(w.Dwell, 12*time.Minute), Escalate: true,
			When:   alert.MustExpr(fmt.Sprintf("cause/* == %d", i)),
			Title:  "{{site}}: {{rung}}",
			Text:   "{{site}}: {{rung}}.\n{{say `evidence`}}\nIf nothing is done: " + k.ifNothing,
			Advice: []string{"{{say `bring 0`}}", "{{say `bring 1`}}"},
		}
		if k.cause == Overdue {
			g.For = 0 // the node named the time itself
		}
		r.Rungs = append(r.Rungs, g)
	}
	return r
}

// engine follows the subjects of a report by the one life cycle of alarms.
func (w Watch) engine(r Report, zone *time.Location) alert.Engine {
	var names []string
	for _, v := range r.all() {
		names = append(names, v.Of)
	}
	return alert.Engine{
		Rules: []alert.Rule{w.rule()}, Zone: zone, Quiet: w.Quiet, Escalate: w.Escalate,
		Instances: map[string][]string{alert.EachSite: names}, Say: r.say,
	}
}

func (r Report) all() []Verdict { return append([]Verdict{r.House, r.Dashboard}, r.Nodes...) }

// lookup gives the verdicts as facts: the place of the cause among [kinds], -1 when all is
// well. A verdict that is no alarm and not well holds what is told.
func (r Report) lookup() alert.Lookup {
	facts := map[string]float64{}
	for _, v := range r.all() {
		i := slices.IndexFunc(kinds(), func(k kind) bool { return k.cause == v.Cause })
		if v.Alarm && i >= 0 || v.Cause == Fine {
			facts["cause/"+v.Of] = float64(i)
		}
	}
	return func(name string) (float64, bool) { x, known := facts[name]; return x, known }
}

// say gives the words of a verdict: the evidence, and what to bring.
func (r Report) say(what, of string) string {
	i := slices.IndexFunc(r.all(), func(v Verdict) bool { return v.Of == of })
	if i < 0 {
		return ""
	}
	v := r.all()[i]
	var n int
	switch _, err := fmt.Sscanf(what, "bring %d", &n); {
	case err == nil && n < len(v.Bring):
		return v.Bring[n]
	case what != "evidence":
		return ""
	}
	var lines []string
	for _, l := range []struct {
		head string
		list []string
	}{{"For it: ", v.For}, {"Against it, or open: ", v.Against}} {
		if len(l.list) > 0 {
			lines = append(lines, l.head+strings.Join(l.list, "; ")+".")
		}
	}
	return strings.Join(lines, "\n")
}

// legacyAlarm is an alarm as it was kept before the watcher shared its life cycle with the node.
type legacyAlarm struct {
	ID    string      `json:"id"`
	Since time.Time   `json:"since"`
	Told  Cause       `json:"told"`
	Owed  alert.Phase `json:"owed"`
}

// upgraded takes the alarms of an older version over, so that each ends under its own id.
func (s State) upgraded() State {
	for of, a := range s.Alarms {
		if i := slices.IndexFunc(kinds(), func(k kind) bool { return k.cause == a.Told }); a.ID != "" && i >= 0 {
			s.Alerts.Tracks = cloned(s.Alerts.Tracks)
			s.Alerts.Tracks["watch/"+of] = alert.Track{ID: a.ID, Since: a.Since, Rung: i, Owed: a.Owed, Told: a.Owed != alert.Raised}
		}
	}
	s.Alerts.Raised = max(s.Alerts.Raised, s.Raised)
	s.Alarms, s.Raised = nil, 0
	return s
}
