package alert

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"
)

// Engine is a set of rules for one site. It holds no state and reads no clock.
type Engine struct {
	Rules     []Rule
	Site      string
	Zone      *time.Location      // UTC when nil
	Instances map[string][]string // the names behind Rule.Each, by "source" and "peer"
	TripHours float64             // from the decision to leave until a hand is on the node
	Feeds     map[string][]string // what each source feeds, as fact names; nil: everything
	Quiet     Quiet
	MaxStep   time.Duration // the longest gap between steps that counts as dwell; 15 min when zero
}

// Quiet are the hours in which only what can be acted on is sent: [From, To) in minutes
// after local midnight; they may span midnight. Equal: none.
type Quiet struct{ From, To int }

// rearm is how long a rung's condition must have been false before the rung is told anew.
const rearm = 12 * time.Hour

// Step moves the rules on to now and gives the notices that are to be sent, oldest first.
// The same inputs give the same notices.
func (e Engine) Step(s State, now time.Time, get Lookup) (State, []Notice) {
	s = s.copied()
	dt := s.advance(now, clockTrusted(get), cmp.Or(e.MaxStep, 15*time.Minute))
	var out []Notice
	if s.Silence == nil && !e.isQuiet(now, s.Trusted) {
		out, s.Owed = s.Owed, nil
	}
	for _, r := range e.Rules {
		for _, instance := range e.instances(r) {
			u := e.use(r, instance, now, &s, get)
			if n, ok := u.step(dt); ok {
				out = append(out, n)
			}
		}
	}
	return s, out
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
	if e.Quiet.From == e.Quiet.To || !trusted {
		return false
	}
	local := now.In(e.zone())
	m := local.Hour()*60 + local.Minute()
	if e.Quiet.From < e.Quiet.To {
		return m >= e.Quiet.From && m < e.Quiet.To
	}
	return m >= e.Quiet.From || m < e.Quiet.To
}

func (e Engine) zone() *time.Location {
	if e.Zone == nil {
		return time.UTC
	}
	return e.Zone
}

// use is one rule at one instance and one moment.
type use struct {
	e        Engine
	r        Rule
	instance string
	now      time.Time
	s        *State
	get      Lookup
	t        Track
}

func (e Engine) use(r Rule, instance string, now time.Time, s *State, get Lookup) *use {
	u := &use{e: e, r: r, instance: instance, now: now, s: s, get: get}
	if instance != "" {
		u.get = get.ForInstance(instance)
	}
	u.t = s.Tracks[u.key()]
	u.t.Rungs = slices.Clone(u.t.Rungs)
	for len(u.t.Rungs) < len(r.Rungs) {
		u.t.Rungs = append(u.t.Rungs, Dwell{})
	}
	u.t.Rungs = u.t.Rungs[:len(r.Rungs)]
	u.t.Rung = min(u.t.Rung, len(r.Rungs)-1)
	return u
}

func (u *use) key() string {
	if u.instance == "" {
		return u.r.Name
	}
	return u.r.Name + "/" + u.instance
}

func (u *use) rung() Rung { return u.r.Rungs[u.t.Rung] }

// step moves the one alarm on; it says at most one thing.
func (u *use) step(dt time.Duration) (Notice, bool) {
	if !u.explained() {
		u.dwell(dt)
		switch best := u.best(); {
		case u.t.ID == "" && best >= 0:
			u.raise(best)
		case u.t.ID != "" && u.t.Clear.met(u.r.ClearFor) && best < 0:
			return u.clear()
		case u.t.ID != "":
			u.climb(best)
			u.moved()
			u.escalate()
		}
	}
	n, ok := u.say()
	u.s.Tracks[u.key()] = u.t
	return n, ok
}

// dwell counts for how long each condition has held.
func (u *use) dwell(dt time.Duration) {
	for i, g := range u.r.Rungs {
		u.t.Rungs[i] = u.t.Rungs[i].step(g.When.Eval(u.get), dt)
	}
	if u.t.ID == "" {
		u.t.Clear, u.t.Lower = Dwell{}, Dwell{}
		return
	}
	u.t.Clear = u.t.Clear.step(u.r.cleared(u.get), dt)
	u.t.Lower = u.t.Lower.step(u.rung().When.Eval(u.get).not(), dt)
}

// best is the gravest rung whose condition has held for long enough, or -1.
func (u *use) best() int {
	for i := len(u.r.Rungs) - 1; i >= 0; i-- {
		if u.t.Rungs[i].met(u.r.Rungs[i].For) {
			return i
		}
	}
	return -1
}

// explained tells whether another alarm explains this rule away.
func (u *use) explained() bool {
	for _, other := range u.r.After {
		for key, t := range u.s.Tracks {
			rule, instance, each := strings.Cut(key, "/")
			if t.ID == "" || rule != other {
				continue
			}
			if !each || u.e.Feeds == nil || u.r.asksOf(u.e.Feeds[instance]) {
				return true
			}
		}
	}
	return false
}

func (u *use) raise(rung int) {
	u.s.Raised++
	u.t = Track{
		Rungs: u.t.Rungs, Rung: rung, Since: u.now, Began: u.s.Elapsed,
		ID: alarmID(u.e.Site, u.key(), u.now, u.s.Raised),
	}
	u.owe()
}

// alarmID is unique among the alarms of a site even when the state was lost, by the moment,
// and when the clock went back, by the count.
func alarmID(site, key string, now time.Time, count uint64) string {
	plain := func(s string) string {
		return strings.Map(func(r rune) rune {
			switch {
			case r == '_' || r >= '0' && r <= '9' || r|0x20 >= 'a' && r|0x20 <= 'z':
				return r
			case r == '/':
				return '.'
			}
			return '-'
		}, s)
	}
	return fmt.Sprintf("%s.%s.%s.%d", plain(site), plain(key), now.UTC().Format("20060102T150405Z"), count)
}

// owe notes that the rung the alarm stands on is to be told.
func (u *use) owe() {
	if u.rung().PageOnly {
		return
	}
	u.t.Owed = Raised
	if u.t.Told {
		u.t.Owed = Changed
	}
}

// climb follows the condition up at once, and down once the rung has been quiet for long:
// so each rung is told once, and again only after a real change.
func (u *use) climb(best int) {
	switch {
	case best > u.t.Rung:
		u.t.Rung, u.t.Lower = best, Dwell{}
		u.t.ActBy, u.t.Acked, u.t.Escalated = nil, false, false
		u.owe()
	case u.t.Rung > 0 && best < u.t.Rung && u.t.Lower.met(rearm):
		u.t.Rung, u.t.Lower = max(best, 0), Dwell{}
	}
}

// moved owes a message when the watched fact went far from what was last told.
func (u *use) moved() {
	x, known := u.watched()
	if !u.t.Told || u.t.Owed != "" || !known || u.t.Watched == nil || u.rung().PageOnly {
		return
	}
	apart := max(x-*u.t.Watched, *u.t.Watched-x)
	if apart >= u.r.Watch.By && u.s.Elapsed-u.t.ToldAt >= cmp.Or(u.r.Watch.Every, 6*time.Hour) {
		u.t.Owed = Changed
	}
}

func (u *use) watched() (float64, bool) {
	if u.r.Watch.Fact == "" {
		return 0, false
	}
	x, known := u.get(u.r.Watch.Fact)
	if u.r.Watch.Moment {
		x += u.s.Elapsed.Hours()
	}
	return x, known && finite(x)
}

// escalate owes a message when the time to act went by and nobody acknowledged.
func (u *use) escalate() {
	t := &u.t
	if t.ActBy == nil || t.Acked || t.Escalated || !u.rung().Escalate || u.s.Elapsed < *t.ActBy {
		return
	}
	t.Escalated = true
	u.owe()
}

// clear ends the alarm. What was never told ends untold, unless the quiet hours alone kept
// it back: then the owner learns of both ends in one message.
func (u *use) clear() (Notice, bool) {
	t := u.t
	u.s.Tracks[u.key()] = Track{Rungs: t.Rungs}
	if !t.Told && (t.Owed == "" || u.s.Silence != nil) {
		return Notice{}, false
	}
	n := u.notice(Cleared)
	if u.held(false) {
		u.s.Owed = append(u.s.Owed, n)
		return Notice{}, false
	}
	return n, true
}

func (u *use) held(anyHour bool) bool {
	return u.s.Silence != nil || !anyHour && u.e.isQuiet(u.now, u.s.Trusted)
}

// say hands out what is owed, unless it is held back.
func (u *use) say() (Notice, bool) {
	if u.t.Owed == "" || u.held(u.rung().AnyHour) || u.t.Owed == Raised && u.explained() {
		return Notice{}, false
	}
	phase := u.t.Owed
	u.t.Owed, u.t.ToldAt = "", u.s.Elapsed
	u.t.Gravest = graver(u.t.Gravest, u.rung().Severity)
	if u.t.Watched = nil; u.r.Watch.Fact != "" {
		if x, known := u.watched(); known {
			u.t.Watched = &x
		}
	}
	if u.rung().Escalate && u.t.ActBy == nil {
		by := u.s.Elapsed + u.actIn()
		u.t.ActBy = &by
	}
	n := u.notice(phase)
	if !u.t.Told {
		u.t.Told, u.t.Facts = true, n.Facts
	}
	return n, true
}

func (u *use) actIn() time.Duration {
	hours, known := u.get("act_by_hours")
	if !known || !finite(hours) {
		hours = 12
	}
	return time.Duration(max(0, hours) * float64(time.Hour))
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
