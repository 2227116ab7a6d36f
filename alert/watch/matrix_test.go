package watch

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"
)

// world is five relays round a reservoir, some of which reach the house through others, and
// what was killed in it. Radios stand beside the nodes and run on the same power.
type world struct {
	dice   *rand.Rand
	board  map[string]bool    // dead nodes
	site   map[string]bool    // sites without power
	radio  map[string]bool    // radios whose aerial fell: nobody hears them
	edge   map[string]bool    // broken ways, "a-b"
	lossy  map[string]float64 // what got lost before
	charge map[string]float64
	chance map[string]float64
	house  bool
	dash   bool
}

// via is the static way of each node to the house.
func via() map[string][]string {
	return map[string][]string{"slipway": nil, "gate": nil, "dam": nil, "island": {"slipway"}, "weir": {"gate"}}
}

// near is who hears whom, beside the ways to the house.
func near() map[string][]string {
	return map[string][]string{
		"slipway": {"gate", "island"}, "gate": {"slipway", "dam", "weir"}, "dam": {"gate", "weir"},
		"island": {"slipway", "weir"}, "weir": {"gate", "island", "dam"},
	}
}

func names() []string { return []string{"slipway", "gate", "dam", "island", "weir"} }

func newWorld(seed uint64) *world {
	w := &world{
		dice: rand.New(rand.NewPCG(seed, 5)), board: map[string]bool{}, site: map[string]bool{}, radio: map[string]bool{},
		edge: map[string]bool{}, lossy: map[string]float64{}, charge: map[string]float64{}, chance: map[string]float64{},
	}
	for _, name := range names() {
		w.charge[name] = 0.35 + 0.65*w.dice.Float64()
	}
	return w
}

func edgeOf(name string) string {
	if hops := via()[name]; len(hops) > 0 {
		return hops[len(hops)-1] + "-" + name
	}
	return "house-" + name
}

// kill breaks one part of the world at random.
func (w *world) kill(c Cause) {
	name := names()[w.dice.IntN(5)]
	switch c {
	case Board:
		w.board[name] = true
	case Link:
		if w.edge[edgeOf(name)] = true; w.dice.Float64() < 0.15 { // the far aerial itself
			w.radio[name] = true
		}
		if w.dice.Float64() < 0.7 { // most ways fail slowly
			w.lossy[name] = 0.1 + 0.5*w.dice.Float64()
		}
	case House:
		w.house = true
	case Dashboard:
		w.dash = true
	case Power:
		if w.site[name] = true; w.dice.Float64() < 0.7 { // the others lose a fuse
			w.charge[name], w.chance[name] = 0.1, 0.2+0.8*w.dice.Float64()
		}
	}
}

// reach tells whether the radio of a node is reached from home.
func (w *world) reach(name string) bool {
	if w.house || w.site[name] || w.radio[name] || w.edge[edgeOf(name)] {
		return false
	}
	for _, hop := range via()[name] {
		if !w.reach(hop) {
			return false
		}
	}
	return true
}

// look is a probe that now and then was not made.
func (w *world) look(up bool) Seen {
	switch {
	case w.dice.Float64() < 0.05:
		return Unknown
	case up:
		return Yes
	}
	return No
}

func (w *world) scene() Scene {
	now := time.Date(2026, 1, 10, 12, 0, 0, 0, time.UTC)
	s := Scene{Now: now, HouseNetwork: w.look(true), HouseRadio: w.look(!w.house), DashboardUp: w.look(!w.dash), DashboardFresh: w.look(!w.dash)}
	for _, name := range names() {
		n := Sight{Name: name, Via: via()[name], LossBefore: w.lossy[name], SilentSince: now.Add(-20 * time.Minute)}
		n.Plan = Plan{Stated: now.Add(-25 * time.Minute), Charge: w.charge[name], Chance: w.chance[name]}
		n.Board, n.Radio = No, w.look(w.reach(name))
		if w.reach(name) && !w.board[name] {
			n.Board = Yes
		}
		for _, other := range near()[name] {
			heard := !w.site[name] && !w.radio[name] && !w.site[other] && !w.radio[other] && !w.edge[other+"-"+name] && !w.edge[name+"-"+other]
			n.Witnesses = append(n.Witnesses, Witness{Name: other, Hears: w.look(heard && !w.board[name]), HearsRadio: w.look(heard)})
		}
		s.Nodes = append(s.Nodes, n)
	}
	return s
}

// named lists the causes that a report names. A node that is dark as it said has no power.
func named(r Report) []Cause {
	var list []Cause
	for _, v := range append([]Verdict{r.House, r.Dashboard}, r.Nodes...) {
		if v.Cause == ExpectedDark {
			v.Cause, v.Alarm = Power, true
		}
		if v.Alarm && v.Cause != CannotTell && !slices.Contains(list, v.Cause) {
			list = append(list, v.Cause)
		}
	}
	return list
}

// tally is one line of the matrix.
type tally struct{ all, right, open, wrong, killed, found int }

func (l tally) String() string {
	return fmt.Sprintf("%5d right, %4d cannot tell, %4d wrong of %5d; %5d of %5d kills named", l.right, l.open, l.wrong, l.all, l.found, l.killed)
}

// matrix kills every pair of causes (and each alone) many times. A report is right when it
// names at least one thing that was killed and nothing that was not: behind a broken link or
// a dead house nothing more can be seen.
func matrix(t *testing.T, causes []Cause, rounds int) (total tally) {
	t.Helper()
	for i, a := range causes {
		for _, b := range causes[i:] {
			line := tally{}
			for seed := range uint64(rounds) {
				w := newWorld(seed)
				w.kill(a)
				if b != a {
					w.kill(b)
				}
				got := named(Judge(w.scene()))
				line.all++
				for _, c := range slices.Compact([]Cause{a, b}) {
					if line.killed++; slices.Contains(got, c) {
						line.found++
					}
				}
				switch {
				case slices.ContainsFunc(got, func(c Cause) bool { return c != a && c != b }):
					line.wrong++
				case len(got) == 0:
					line.open++
				default:
					line.right++
				}
			}
			t.Logf("%-22s %v", strings.Join([]string{string(a), string(b)}, " + "), line)
			total.all, total.right, total.open, total.wrong = total.all+line.all, total.right+line.right, total.open+line.open, total.wrong+line.wrong
			total.killed, total.found = total.killed+line.killed, total.found+line.found
		}
	}
	t.Logf("%-22s %v", "all", total)
	return total
}

func TestEveryPairOfFailures(t *testing.T) {
	t.Parallel()
	total := matrix(t, []Cause{Board, Link, House, Dashboard}, 500)
	if total.right*10 < total.all*9 {
		t.Errorf("only %d of %d are right", total.right, total.all)
	}
	if total.wrong > 0 {
		t.Errorf("%d put the blame on something that works; the rest must be %q", total.wrong, CannotTell)
	}
}

// TestWithPowerToo: a lost fuse and a fallen aerial look alike from home, so more stays
// open; hardly anything may be wrong even so.
func TestWithPowerToo(t *testing.T) {
	t.Parallel()
	total := matrix(t, []Cause{Board, Link, House, Dashboard, Power}, 500)
	if total.right*10 < total.all*9 || total.wrong*100 > total.all {
		t.Errorf("%v", total)
	}
}

// TestNothingKilledRaisesNothing: probes that were not made are no evidence.
func TestNothingKilledRaisesNothing(t *testing.T) {
	t.Parallel()
	for seed := range uint64(500) {
		if got := named(Judge(newWorld(seed).scene())); got != nil {
			t.Fatalf("world %d: %v", seed, got)
		}
	}
}
