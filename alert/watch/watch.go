package watch

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"ebbwatch/alert"
)

// Seen is what is known of a yes-or-no question.
type Seen uint8

// The answers.
const (
	Unknown Seen = iota // not asked, or the answer is too old
	No
	Yes
)

// Cause is what a silence is put down to.
type Cause string

// The causes.
const (
	Fine         Cause = "fine"
	ExpectedDark Cause = "expected dark"  // dark as it said; no alarm
	Overdue      Cause = "overdue return" // it said it would be back by now
	Power        Cause = "power"          // its site has no power
	Link         Cause = "link"           // the way to it is broken
	Board        Cause = "node"           // the site is up, the node itself is not
	House        Cause = "house"          // the side of the house
	Dashboard    Cause = "dashboard"      // only the dashboard
	CannotTell   Cause = "cannot tell"
)

// Plan is what a node last said of its own future. The zero Plan says nothing.
type Plan struct {
	Stated       time.Time
	Charge       float64   // 0 to 1, as believed then
	Chance       float64   // of a cut-off within a day
	From, Likely time.Time // of the cut-off: 10th percentile and median; zero: beyond the horizon
	Back, Late   time.Time // of the return: median, and 95th percentile; zero: not said
	NeedSun      float64   // hours of full sun (1000 W/m² on the panel) until it returns; 0: not said
	Drain        float64   // hours of full sun that each hour in the dark takes in addition
}

// Witness is what another node says of a silent one.
type Witness struct {
	Name       string
	Hears      Seen // the node itself
	HearsRadio Seen // the radio of its site, where that is another device
}

// Sight is the evidence on one node.
type Sight struct {
	Name        string
	Board       Seen      // the node is heard: it says something of itself, or where it cannot, it answers
	Radio       Seen      // the radio of its site answers, at the address that the owner declared
	Answers     Seen      // its board answers, be it with a refusal, though it may say nothing of itself
	Frozen      time.Time // since when its page answers and says the same; zero where it moves
	Other       string    // what calls itself otherwise answers at the address of its page
	Unsure      string    // why it cannot be told whether it is heard, where Board is Unknown
	Via         []string
	SilentSince time.Time // since when Board is No
	Witnesses   []Witness // others that are heard, and have a way of their own to it
	LossBefore  float64   // share of probes that got lost in the hour before the silence
	Plan        Plan
	SunSince    float64 // hours of full sun at the place since the silence, by neighbours or forecast
	SunKnown    bool
}

// Scene is all the evidence of one moment.
type Scene struct {
	Now            time.Time
	Zone           *time.Location // for times shown to people; UTC when nil
	HouseRadio     Seen           // the radio at the house answers
	HouseNetwork   Seen           // the house's own network works
	DashboardUp    Seen           // the dashboard answers
	DashboardFresh Seen           // it shows new numbers of at least one node that is heard
	Nodes          []Sight
}

// Verdict is what is made of the evidence.
type Verdict struct {
	Of           string // the node; empty for house and dashboard
	Cause        Cause
	Alarm        bool   // worth a message
	Behind       string // it can only be judged once this one is back
	For, Against []string
	Bring        []string
}

// warnedFrom is the chance of a cut-off within a day from which a node counts as having said that
// it may go dark.
const warnedFrom = 0.3

// Warns tells whether the node said that it may go dark soon: only then does it mean anything
// when it would be back.
func (p Plan) Warns() bool { return p.Chance >= warnedFrom }

// powered tells whether something at the site of the node is heard.
func (n *Sight) powered() bool { return n.Radio == Yes || n.Answers == Yes }

// Report is the verdicts of one moment.
type Report struct {
	House, Dashboard Verdict
	Nodes            []Verdict // in the order of the scene
}

// early is how much sooner than it said a node may go dark and still be as expected: its
// belief of the charge is some hours of load wide.
const early = 6 * time.Hour

// Judge weighs the evidence of one moment.
func Judge(s Scene) Report {
	r := Report{House: s.house(), Dashboard: s.dashboard()}
	for i := range s.Nodes {
		r.Nodes = append(r.Nodes, s.node(&s.Nodes[i], r.House))
	}
	return r
}

func (v *Verdict) pro(format string, args ...any) {
	v.For = append(v.For, fmt.Sprintf(format, args...))
}
func (v *Verdict) con(format string, args ...any) {
	v.Against = append(v.Against, fmt.Sprintf(format, args...))
}

// clock writes a time in the zone of the scene.
func (s Scene) clock(t time.Time) string {
	switch {
	case t.IsZero():
		return "a time not known"
	case s.Zone == nil:
		return alert.Clock(t, s.Now, time.UTC)
	}
	return alert.Clock(t, s.Now, s.Zone)
}

// house judges the near side, on which everything else depends.
func (s Scene) house() Verdict {
	v := Verdict{Cause: Fine}
	heard, silent := s.count()
	switch {
	case heard > 0:
		v.con("%d nodes are heard", heard)
		return v
	case s.HouseNetwork == No:
		v.Cause = House
		v.pro("the house's own network does not work")
	case s.HouseRadio == No:
		v.Cause = House
		v.pro("the radio at the house does not answer")
	case s.HouseRadio == Unknown && silent > 1 && s.together():
		v.Cause = House
		v.pro("%d nodes fell silent at once, by ways that share nothing but the house", silent)
	}
	if v.Alarm = v.Cause == House; v.Alarm {
		v.Bring = []string{"Nothing yet: look at the router, the radio at the house, its supply and cable."}
	}
	return v
}

// count tells how many nodes or their radios are heard, and how many are silent.
func (s Scene) count() (heard, silent int) {
	for _, n := range s.Nodes {
		switch {
		case n.Board == Yes || n.powered():
			heard++
		case n.Board == No:
			silent++
		}
	}
	return heard, silent
}

// together tells whether at least two nodes that need no other node on the way fell silent
// within a few minutes, and none of them said that it would.
func (s Scene) together() bool {
	var first []Sight
	for _, n := range s.Nodes {
		if len(n.Via) == 0 && n.Board == No {
			first = append(first, n)
		}
	}
	if len(first) < 2 {
		return false
	}
	same := func(n Sight) bool { return n.SilentSince.Sub(first[0].SilentSince).Abs() <= 5*time.Minute }
	return !slices.ContainsFunc(first, func(n Sight) bool { return !same(n) || n.dark() })
}

// dashboard judges what the owner looks at; nodes that are heard are the proof.
func (s Scene) dashboard() Verdict {
	v := Verdict{Cause: Fine}
	heard, _ := s.count()
	switch {
	case s.DashboardUp == No:
		v.Cause = Dashboard
		v.pro("the dashboard does not answer")
	case s.DashboardFresh == No && heard > 0:
		v.Cause = Dashboard
		v.pro("%d nodes are heard here, and the dashboard shows nothing new of them", heard)
	}
	if v.Alarm = v.Cause == Dashboard; v.Alarm {
		v.con("the nodes themselves are judged apart from it")
		v.Bring = []string{"Nothing: no trip is needed. Look at the machine that runs the dashboard."}
	}
	return v
}

// node judges one node.
func (s Scene) node(n *Sight, house Verdict) Verdict {
	v := Verdict{Of: n.Name, Cause: Fine}
	switch {
	case n.Board == Yes:
		return v
	case n.Board == Unknown:
		v.Cause = CannotTell
		v.con("%s", cmp.Or(n.Unsure, "it was not asked"))
		return v
	case house.Cause == House:
		v.Cause, v.Behind = CannotTell, "the house"
		v.con("nothing can be heard through the house")
		return v
	}
	v.pro("nothing new was heard of it since %s", s.clock(n.SilentSince))
	if behind := s.behind(n); behind != "" && !n.powered() {
		v.Cause, v.Behind = CannotTell, behind
		v.con("the way to it goes through %s, which is silent too", behind)
		return v
	}
	if !n.powered() && s.later(n, &v) {
		return v
	}
	s.fault(n, &v)
	v.Alarm = true
	if v.Bring == nil {
		v.Bring = bring(v.Cause)
	}
	return v
}

// behind names the first silent node on the way.
func (s Scene) behind(n *Sight) string {
	for _, name := range n.Via {
		i := slices.IndexFunc(s.Nodes, func(m Sight) bool { return m.Name == name })
		if i >= 0 && s.Nodes[i].Board == No && !s.Nodes[i].powered() {
			return name
		}
	}
	return ""
}

// dark tells whether the silence began as the node had said it would, or while it was as
// good as empty by its own count.
func (n Sight) dark() bool { return n.asSaid() || n.empty() }

// asSaid: from somewhat before the window that it gave; at any time when it was all but
// certain to go dark within the day.
func (n Sight) asSaid() bool {
	p := n.Plan
	return p.Chance >= 0.8 || p.Warns() && !p.From.IsZero() && !n.SilentSince.Before(p.From.Add(-early))
}

// empty: below a tenth the belief is hardly wide enough to say when, only that.
func (n Sight) empty() bool { return !n.Plan.Stated.IsZero() && n.Plan.Charge < 0.1 }

// later serves a node that said it would go dark: either it still may be, or it is late.
func (s Scene) later(n *Sight, v *Verdict) bool {
	if board, radio := s.others(n); !n.dark() || board == Yes || radio == Yes {
		return false
	}
	p := n.Plan
	if n.asSaid() {
		v.pro("it said at %s that it would go dark about %s", s.clock(p.Stated), s.clock(p.Likely))
	} else {
		v.pro("it said at %s that its battery was at %.0f %%", s.clock(p.Stated), 100*p.Charge)
	}
	late, why := s.late(n)
	if late {
		v.Cause, v.Alarm, v.Bring = Overdue, true, bring(Overdue)
		v.pro("%s", why)
		return true
	}
	v.Cause = ExpectedDark
	if why != "" {
		v.pro("%s", why)
	}
	return true
}

// late tells whether a dark node should have returned. The day that it named can pass
// without sun: where the sun is known, there must have been enough of it.
func (s Scene) late(n *Sight) (bool, string) {
	p := n.Plan
	due := n.SilentSince.Add(72 * time.Hour)
	if n.asSaid() && !p.Late.IsZero() { // else its outlook was of another, later time in the dark
		due = p.Late
	}
	dark := s.Now.Sub(n.SilentSince)
	need := p.NeedSun + p.Drain*dark.Hours()
	switch {
	case !s.Now.After(due):
		return false, "it is to be back by " + s.clock(due)
	case n.SunKnown && p.NeedSun > 0 && n.SunSince < 1.2*need && dark < 14*24*time.Hour:
		return false, fmt.Sprintf("it needs %.1f hours of full sun to return and has had %.1f", need, n.SunSince)
	}
	return true, "it was to be back by " + s.clock(due)
}

// others sums up the witnesses: one that hears it outweighs those that do not.
func (s Scene) others(n *Sight) (board, radio Seen) {
	for _, w := range n.Witnesses {
		if s.hears(w.Name) {
			board, radio = max(board, w.Hears), max(radio, w.HearsRadio)
		}
	}
	return board, radio
}

// hears tells whether a witness can be asked.
func (s Scene) hears(name string) bool {
	return slices.ContainsFunc(s.Nodes, func(m Sight) bool { return m.Name == name && m.Board == Yes })
}

// fault tells power, link and node apart, for a node that was not to be dark.
func (s Scene) fault(n *Sight, v *Verdict) {
	board, radio := s.others(n)
	through := s.through(n)
	switch {
	case n.Other != "":
		v.Cause, v.Bring = CannotTell, []string{"Nothing yet: look at the addresses in the configuration of the watcher."}
		v.con("what answers at the address of its page calls itself %s", n.Other)
	case !n.Frozen.IsZero():
		v.Cause, v.Bring = Board, fromHere()
		v.pro("its page answers, and says the same since %s: what watches the battery there stands still", s.clock(n.Frozen))
	case n.Answers == Yes:
		v.Cause, v.Bring = Board, fromHere()
		v.pro("its board answers, and its page does not: it has power, and the way is open")
		v.con("the program may not run, or only its page not answer")
	case n.Radio == Yes:
		v.Cause = Board
		v.pro("the radio of its site answers: there is power, and the way is open")
	case through != "":
		v.Cause = Board
		v.pro("%s is heard, and the way to it goes through here", through)
	case board == Yes:
		v.Cause = Link
		v.pro("%s, so it has power, and only the way from here is broken", s.say(n, "hears it", Yes, Witness.board))
	case radio == Yes && n.Radio == No:
		v.Cause = Link
		v.pro("%s, so there is power at its site", s.say(n, "hears its radio", Yes, Witness.radio))
	case radio == Yes:
		v.Cause = CannotTell
		v.con("%s, but its radio was not asked from here: node or link", s.say(n, "hears its radio", Yes, Witness.radio))
	default:
		s.unheard(n, v, board == No || radio == No)
	}
}

// unheard serves a node of which nobody hears anything: its battery and what was lost
// before the silence are all there is to go by.
func (s Scene) unheard(n *Sight, v *Verdict, asked bool) {
	low := n.Plan.Warns() || !n.Plan.Stated.IsZero() && n.Plan.Charge < 0.15
	lossy := n.LossBefore >= 0.1
	if asked {
		v.pro("%s", s.say(n, "does not hear it either", No, Witness.either))
	}
	if low {
		v.pro("its battery was at %.0f %%, the chance of a cut-off within a day %.0f %%", 100*n.Plan.Charge, 100*n.Plan.Chance)
	} else if !n.Plan.Stated.IsZero() {
		v.con("its battery was at %.0f %%: if it is the power, think of a fuse, a breaker or the battery's protection", 100*n.Plan.Charge)
	}
	if lossy {
		v.pro("%.0f %% of the probes got lost in the hour before", 100*n.LossBefore)
	}
	switch {
	case low && !lossy:
		v.Cause = Power
	case lossy && !low:
		v.Cause = Link
	default:
		v.Cause = CannotTell
		v.con("power, its own radio or the way to it: nothing tells them apart")
	}
}

func (w Witness) board() Seen  { return w.Hears }
func (w Witness) radio() Seen  { return w.HearsRadio }
func (w Witness) either() Seen { return max(w.Hears, w.HearsRadio) }

// say names the witnesses of one opinion.
func (s Scene) say(n *Sight, what string, opinion Seen, of func(Witness) Seen) string {
	var names []string
	for _, w := range n.Witnesses {
		if s.hears(w.Name) && of(w) == opinion {
			names = append(names, w.Name)
		}
	}
	return strings.Join(names, " and ") + " " + what
}

// through names a node that is heard and whose way goes through n.
func (s Scene) through(n *Sight) string {
	for _, m := range s.Nodes {
		if slices.Contains(m.Via, n.Name) && (m.Board == Yes || m.powered()) {
			return m.Name
		}
	}
	return ""
}

// fromHere is what to do before anybody goes: a board that answers can be reached over the network.
func fromHere() []string {
	return []string{"Nothing yet: from here, log in to its board, look whether ebbwatch runs and what its log says, and start it again."}
}

// bring is what to take along, by common practice: the list rules out one cause after the
// other on one trip.
func bring(c Cause) []string {
	switch c {
	case Overdue, Power:
		return []string{"A meter, fuses, connectors, a charged battery with its lead, a charger, a brush for the panel.", "A second person, and a lamp."}
	case Link:
		return []string{"A spare radio, cable and connectors, a meter, something to cut growth with.", "Look from the near end first."}
	case Board:
		return []string{"A spare board and card, a console cable, a meter, fuses."}
	case CannotTell:
		return []string{"A meter, fuses, a charged battery with its lead, a spare radio and its cable, a console cable."}
	}
	return nil
}
