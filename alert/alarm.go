package alert

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
)

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

func (u *use) key() string { return key(u.r, u.instance) }

// key is where the track of a rule at an instance is kept.
func key(r Rule, instance string) string {
	if r.Each == "" {
		return r.Name
	}
	return r.Name + "/" + instance
}

func (u *use) rung() Rung { return u.r.Rungs[u.t.Rung] }

// spoken is the rung whose words are true now. An alarm stays on a rung for some hours after
// its condition passed, so as not to tell it anew; its words must not stay with it.
func (u *use) spoken() Rung {
	for i := u.t.Rung; i > 0 && !u.r.Kinds; i-- {
		if u.r.Rungs[i].When.Eval(u.get) != False {
			return u.r.Rungs[i]
		}
	}
	if u.r.Kinds {
		return u.rung()
	}
	return u.r.Rungs[0]
}

// site is what a notice is about.
func (u *use) site() string {
	if u.r.Each == EachSite {
		return u.instance
	}
	return u.e.Site
}

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
			u.remind()
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
	for _, other := range u.e.Rules {
		if !slices.Contains(u.r.After, other.Name) {
			continue
		}
		for _, instance := range u.e.instances(other) {
			if u.s.Tracks[key(other, instance)].ID != "" && u.follows(other, instance) {
				return true
			}
		}
	}
	return false
}

// follows tells whether the alarm of another rule at an instance bears on this one.
func (u *use) follows(other Rule, instance string) bool {
	switch {
	case other.Each == "":
		return true
	case other.Each == u.r.Each:
		return instance == u.instance
	case other.Each == "source" && u.e.Feeds != nil:
		return u.r.asksOf(u.e.Feeds[instance], u.instance)
	}
	return true
}

func (u *use) raise(rung int) {
	u.s.Raised++
	u.t = Track{
		Rungs: u.t.Rungs, Rung: rung, Since: u.now, Began: u.s.Elapsed,
		ID: alarmID(u.site(), u.key(), u.now, u.s.Raised),
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

// climb follows the condition up at once, and down once the rung has been quiet for long. A
// critical rung is told again then, unless it says what was told last; a lesser one than was told
// in this alarm, which never ended, is not: its reader would do nothing else.
func (u *use) climb(best int) {
	switch {
	case best > u.t.Rung && u.rung().PageOnly && !u.t.Told:
		// What was only shown was no alarm to its reader: it begins now.
		u.t.Rung, u.t.Lower, u.t.Since, u.t.Began = best, Dwell{}, u.now, u.s.Elapsed
		u.owe()
	case best > u.t.Rung, u.r.Kinds && best > 0 && best != u.t.Rung:
		u.t.Rung, u.t.Lower = best, Dwell{}
		s := u.rung().Severity
		asGrave := slices.ContainsFunc(u.t.Said, func(told Severity) bool { return told.AtLeast(s) })
		if u.r.Kinds || s == Critical && !u.asTold() || !asGrave {
			u.t.ActBy, u.t.Acked, u.t.Escalated = nil, false, false
			u.owe()
		}
	case !u.r.Kinds && u.t.Rung > 0 && best < u.t.Rung && u.t.Lower.met(rearm):
		u.t.Rung, u.t.Lower = max(best, 0), Dwell{}
	}
}

// asTold tells whether the rung is the one that was told last, with the watched fact about where it
// was.
func (u *use) asTold() bool {
	x, known := u.watched()
	return u.t.Told && u.t.ToldRung == u.t.Rung && known && u.t.Watched != nil && math.Abs(x-*u.t.Watched) < u.r.Watch.By
}

// moved owes a message when the watched fact went far from what was last told, unless a
// graver rung is about to be told anyway.
func (u *use) moved() {
	x, known := u.watched()
	if !u.t.Told || u.t.Owed != "" || !known || u.t.Watched == nil || u.spoken().PageOnly || u.climbing() {
		return
	}
	apart := *u.t.Watched - x
	if !u.r.Watch.Sooner {
		apart = max(apart, -apart)
	}
	if apart >= u.r.Watch.By && u.s.Elapsed-u.t.ToldAt >= cmp.Or(u.r.Watch.Every, 6*time.Hour) {
		u.t.Owed = Changed
	}
}

func (u *use) climbing() bool {
	return slices.ContainsFunc(u.t.Rungs[u.t.Rung+1:], func(d Dwell) bool { return d.On })
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
	if !u.e.Escalate || t.ActBy == nil || t.Acked || t.Escalated || !u.spoken().Escalate || u.s.Elapsed < *t.ActBy {
		return
	}
	t.Escalated = true
	u.owe()
}

// remind owes the message again when it went unacknowledged for as long as the rule says, and
// is still so.
func (u *use) remind() {
	t, g := &u.t, u.spoken()
	if g.RemindAfter > 0 && t.Told && t.Owed == "" && !t.Acked && g.When.Eval(u.get) == True && u.s.Elapsed-t.ToldAt >= g.RemindAfter {
		t.Owed, t.Reminded = Changed, true
	}
}

// clear ends the alarm. What was never told ends untold, unless it was critical and the quiet
// hours alone kept it back: then one message says that it came and went.
func (u *use) clear() (Notice, bool) {
	t := u.t
	u.s.Tracks[u.key()] = Track{Rungs: t.Rungs}
	if u.r.Once || !t.Told && (t.Owed == "" || u.s.Silence != nil || u.muted() || u.rung().Severity != Critical) {
		return Notice{}, false
	}
	n := u.notice(Cleared)
	if !t.Told {
		n = n.CameAndWent(u.notice(Raised).Title)
	}
	if u.held(false) {
		u.s.Owed = append(u.s.Owed, n)
		return Notice{}, false
	}
	return n, true
}

// held tells whether nothing is sent now: in maintenance, and in quiet hours what can wait.
func (u *use) held(anyHour bool) bool {
	return u.s.Silence != nil || !anyHour && u.e.isQuiet(u.now, u.s.Trusted)
}

// urgent tells whether the rung cannot wait for the end of the quiet hours: it never can,
// or the time to act would be over by then.
func (u *use) urgent() bool {
	if u.rung().AnyHour {
		return true
	}
	hours, known := u.get("act_by_hours")
	return u.rung().Escalate && known && u.e.isQuiet(u.now.Add(duration(hours, time.Hour)), true) && hours < 12
}

// say hands out what is owed, unless it is held back. What was held back and is plainly not
// so any more is not said: it waits for the end, or for its return.
func (u *use) say() (Notice, bool) {
	soon := u.t.Owed != Cleared && u.rung().Severity != Critical && u.climbing() // one message instead of two
	if u.t.Owed == "" || soon || u.held(u.urgent()) || u.muted() || u.t.Owed == Raised && u.explained() || u.passed() {
		return Notice{}, false
	}
	phase := u.t.Owed
	u.t.Owed, u.t.ToldAt, u.t.ToldRung = "", u.s.Elapsed, u.t.Rung
	if u.t.Watched = nil; u.r.Watch.Fact != "" {
		if x, known := u.watched(); known {
			u.t.Watched = &x
		}
	}
	if u.rung().Escalate && u.t.ActBy == nil {
		by := u.s.Elapsed + cmp.Or(u.rung().EscalateAfter, u.actIn())
		u.t.ActBy = &by
	}
	n := u.notice(phase)
	u.t.Reminded = false
	u.t.Gravest = graver(u.t.Gravest, n.Severity)
	if !slices.Contains(u.t.Said, n.Severity) {
		u.t.Said = append(slices.Clone(u.t.Said), n.Severity)
	}
	if !u.t.Told {
		u.t.Told, u.t.First, u.t.Facts = true, u.now, n.Facts
	}
	return n, true
}

func (u *use) passed() bool {
	return u.spoken().PageOnly || !slices.ContainsFunc(u.r.Rungs, func(g Rung) bool { return g.When.Eval(u.get) != False })
}

func (u *use) actIn() time.Duration {
	hours, known := u.get("act_by_hours")
	if !known || !finite(hours) {
		hours = 12
	}
	return time.Duration(max(0, hours) * float64(time.Hour))
}
