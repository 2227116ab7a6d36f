package alert

import (
	"slices"
	"strings"
	"time"
)

// Rule is one thing that the owner is warned of, as data. An alarm of a rule climbs its
// rungs; it keeps one id from its raise to its clear.
type Rule struct {
	Name    string // as in notices and metrics
	Summary string // what it warns of, for people: "the cut-off is ahead"
	Each    string // "source", "peer", "channel" or [EachSite]: one alarm for each; conditions and texts say fact/*
	// Kinds: the rungs are different faults, none graver than another: from the second on, a
	// change to any of them is told. Else they are steps of how grave it is.
	Kinds bool
	Rungs []Rung // from the least grave
	// Clear ends the alarm once it held for ClearFor. When it is empty, the alarm ends once
	// the condition of the lowest rung is false.
	Clear    Expr
	ClearFor time.Duration
	// After names the rules that explain this one away: while one of them is active, this
	// one neither raises nor clears. Between two rules for each source, or for each peer,
	// that holds for the same one; a rule for each source explains away only what that
	// source feeds, see [Engine.Feeds].
	After []string
	// Watch is worth another message when it moved.
	Watch Watch
	// Mute says how to be left alone; a usual one stands in when empty.
	Mute string
	// Once: it tells of an event, which has no end to tell of.
	Once bool
	// OverTitle and Over are the title and the reason of the message that it is over; usual
	// ones stand in when empty.
	OverTitle, Over string
}

// EachSite is the Each of a rule over several sites: a notice names the one it is about.
const EachSite = "site"

// Rung is one step of how grave an alarm is.
type Rung struct {
	Name     string // "heads-up"; empty when a rule has but one
	Severity Severity
	When     Expr
	For      time.Duration // how long When must hold
	PageOnly bool          // shown, and sent to nobody
	AnyHour  bool          // sent in quiet hours too
	// Escalate sends it again, to all, when nobody acknowledged it by the time to act, the
	// fact act_by_hours after the message; without that fact, after twelve hours.
	Escalate bool
	// EscalateAfter is when, in place of the time to act; RemindAfter sends it again to its own
	// readers, as often as that, until somebody acknowledged it. Zero: neither.
	EscalateAfter, RemindAfter time.Duration
	// The words, text/template over the helpers of [Helpers]. Pieces of advice that come
	// out empty are left out.
	Title  string // under 60 characters
	Text   string
	Advice []string
}

// Watch asks for another message when a fact moved by By since the last one, at most once
// in Every (six hours when zero). When Moment is set, the fact counts hours from now, and
// what moves is the moment that it points to; By is in hours.
type Watch struct {
	Fact   string        `yaml:"fact" need:"true" example:"cutoff_hours_p50" doc:"the fact"`
	By     float64       `yaml:"by" need:"true" example:"12" doc:"how far it must have moved since the last message"`
	Moment bool          `yaml:"moment" doc:"true: the fact counts hours from now, and the moment that it points to is what moves"`
	Sooner bool          `yaml:"sooner" doc:"true: only a move down, or to an earlier moment, is worth a message"`
	Every  time.Duration `yaml:"every" default:"6h" range:"1m..30d" doc:"at most one such message in this time"`
}

// Names lists the facts that the conditions of the rule ask for, each once.
func (r Rule) Names() []string {
	var names []string
	add := func(e Expr) {
		for _, n := range e.Names() {
			if !slices.Contains(names, n.Fact) {
				names = append(names, n.Fact)
			}
		}
	}
	for _, g := range r.Rungs {
		add(g.When)
	}
	add(r.Clear)
	return names
}

// cleared asks whether the alarm is over.
func (r Rule) cleared(get Lookup) Truth {
	if r.Clear.Empty() {
		return r.Rungs[0].When.Eval(get).not()
	}
	return r.Clear.Eval(get)
}

// asksOf tells whether the rule's conditions at an instance use a fact of the list. A list
// entry without an instance stands for all instances.
func (r Rule) asksOf(facts []string, instance string) bool {
	return slices.ContainsFunc(r.Names(), func(name string) bool {
		_, fact, _, _ := overSpan(name)
		base, of, each := strings.Cut(fact, "/")
		if of == "*" {
			of = instance
		}
		return slices.Contains(facts, base) || each && slices.Contains(facts, base+"/"+of)
	})
}
