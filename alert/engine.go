package alert

import (
	"maps"
	"slices"
	"strings"
	"time"
)

// maxStep is the longest gap between steps that counts as dwell.
const maxStep = 15 * time.Minute

// Engine is a set of rules for one site. It holds no state and reads no clock.
type Engine struct {
	Rules     []Rule
	Site      string
	Zone      *time.Location      // UTC when nil
	Instances map[string][]string // the names behind Rule.Each, by what it says
	// Say gives what a text says beside facts, for an instance of a rule; nil: nothing.
	Say       func(what, instance string) string
	TripHours float64             // from the decision to leave until a hand is on the node
	Feeds     map[string][]string // what each source feeds, as fact names; nil: everything
	Quiet     Quiet
	Escalate  bool // there is a second person, to be told what nobody acknowledged in time
}

// rearm is how long a rung's condition must have been false before the rung is told anew.
const rearm = 12 * time.Hour

// Step moves the rules on to now and gives the notices that are to be sent, oldest first.
// The same inputs give the same notices.
func (e Engine) Step(s State, now time.Time, get Lookup) (State, []Notice) {
	s = s.copied()
	dt := s.advance(now, clockTrusted(get), maxStep)
	e.follow(&s, get)
	get = e.facts(&s, get)
	var out []Notice
	if s.Silence == nil && !e.isQuiet(now, s.Trusted) {
		out, s.Owed = s.Owed, nil
	}
	seen := map[string]bool{}
	for _, r := range e.Rules {
		for _, instance := range e.instances(r) {
			u := e.use(r, instance, now, &s, get)
			if n, ok := u.step(dt); ok {
				out = append(out, n)
			}
			seen[u.key()] = true
		}
	}
	return s, append(out, e.orphans(&s, seen, get)...)
}

// orphans ends the alarms whose rule, source or peer is no longer configured: a receiver
// that was told of them would wait for their end for ever.
func (e Engine) orphans(s *State, seen map[string]bool, get Lookup) []Notice {
	var out []Notice
	for _, key := range slices.Sorted(maps.Keys(s.Tracks)) {
		if seen[key] {
			continue
		}
		t := s.Tracks[key]
		if name, instance, _ := strings.Cut(key, "/"); t.ID != "" && t.Told {
			gone := Rule{Name: name, Summary: strings.ReplaceAll(name, "_", " "), Rungs: []Rung{{Severity: t.Gravest}}, OverTitle: "{{site}}: no longer watched{{with of}}: {{.}}{{end}}", Over: "It is no longer watched."}
			if i := slices.IndexFunc(e.Rules, func(r Rule) bool { return r.Name == name }); i >= 0 {
				gone.Summary, gone.Each = e.Rules[i].Summary, e.Rules[i].Each
			} else if instance != "" {
				gone.Each = "source"
			}
			u := e.use(gone, instance, s.At, s, get)
			out = append(out, u.notice(Cleared))
		}
		delete(s.Tracks, key)
	}
	return out
}

// clockTrusted takes a clock for right unless it is known to be wrong.
func clockTrusted(get Lookup) bool {
	x, known := get("clock_trusted")
	return !known || x != 0
}

func (e Engine) instances(r Rule) []string {
	if r.Each == "" {
		return []string{""}
	}
	return e.Instances[r.Each]
}

// isQuiet is false while the clock is not trusted: nobody can then say that it is night.
func (e Engine) isQuiet(now time.Time, trusted bool) bool {
	return trusted && e.Quiet.Hold(now.In(e.zone()))
}

func (e Engine) zone() *time.Location {
	if e.Zone == nil {
		return time.UTC
	}
	return e.Zone
}

func graver(a, b Severity) Severity {
	if severityRank(b) > severityRank(a) {
		return b
	}
	return a
}

// severityRank orders the severities; 0 is none.
func severityRank(s Severity) int {
	return slices.Index([]Severity{"", Info, Warning, Critical}, s)
}

// AtLeast tells whether s is as grave as least.
func (s Severity) AtLeast(least Severity) bool { return severityRank(s) >= severityRank(least) }
