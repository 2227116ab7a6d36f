package watcher

import (
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"ebbwatch/alert/watch"
	"ebbwatch/collector/nodestate"
)

// hoursOf runs a watcher of two nodes over some hours, after which the first one's fate is changed.
func hoursOf(t *testing.T, set func(*Config, *fleet), change func(*fleet), then time.Duration) (v *View, told []string) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		f, e := newFleet(), &ear{}
		c := many(2, e)
		if set != nil {
			set(c, f)
		}
		w, stop := begin(t, Options{Config: c, Log: quiet(), ask: f})
		time.Sleep(10 * time.Minute)
		if change != nil {
			change(f)
		}
		time.Sleep(then)
		v, told = w.View(), e.titles()
		stop()
	})
	return v, told
}

func all(n NodeView) string {
	return strings.Join(append(append(append([]string{string(n.Cause)}, n.For...), n.Against...), n.Bring...), "\n")
}

// The board answered a connection, be it with a refusal. That is the board: it has power and the
// way is open. Nothing was heard of a radio, and no spare board is to be carried before somebody
// tried to start the program from afar.
func TestABoardThatAnswersIsNoRadio(t *testing.T) {
	t.Parallel()
	v, _ := hoursOf(t, func(c *Config, _ *fleet) { c.Nodes[0].Ping = "10.0.0.0:22" },
		func(f *fleet) { f.set("http://10.0.0.0", true) }, 30*time.Minute)
	n := v.Nodes[0]
	if n.Radio != nil || strings.Contains(all(n), "radio") || strings.Contains(all(n), "spare board") {
		t.Errorf("a radio that nobody asked: %v\n%s", n.Radio, all(n))
	}
	if n.Cause != watch.Board || n.Board == nil || !*n.Board || !strings.Contains(all(n), "its board answers") || !strings.Contains(all(n), "from here") {
		t.Errorf("board %v:\n%s", n.Board, all(n))
	}
}

// Where the owner declared the radio's address, and it answers, that is what is said.
func TestADeclaredRadioIsARadio(t *testing.T) {
	t.Parallel()
	v, _ := hoursOf(t, func(c *Config, _ *fleet) { c.Nodes[0].Radio, c.Nodes[0].Ping = "10.0.1.0:80", "10.0.0.0:22" },
		func(f *fleet) { f.set("http://10.0.0.0", true); f.set("10.0.0.0:22", true) }, 30*time.Minute)
	if n := v.Nodes[0]; n.Cause != watch.Board || n.Radio == nil || !*n.Radio || n.Board == nil || *n.Board || !strings.Contains(all(n), "radio of its site answers") {
		t.Errorf("radio %v, board %v:\n%s", n.Radio, n.Board, all(n))
	}
}

// Somebody else's page at a node's address says nothing of the node.
func TestThePageOfAnotherSite(t *testing.T) {
	t.Parallel()
	v, told := hoursOf(t, nil, func(f *fleet) {
		f.speak(func(target string) *nodestate.State {
			s := f.charged(target, 0.93)
			if target == "http://10.0.0.0" {
				s.Site = "gate"
			}
			return s
		})
	}, 30*time.Minute)
	n := v.Nodes[0]
	if n.Cause == watch.Fine || n.Heard == nil || *n.Heard || !strings.Contains(all(n), "calls itself gate") {
		t.Errorf("heard %v:\n%s", n.Heard, all(n))
	}
	if n.Charge == nil || *n.Charge == 0.93 {
		t.Errorf("the other site's charge is told as the node's: %v", n.Charge)
	}
	if len(told) != 1 || !strings.HasPrefix(told[0], "raised node0") {
		t.Errorf("told %q", told)
	}
	if v.Nodes[1].Cause != watch.Fine {
		t.Errorf("the other node: %s", all(v.Nodes[1]))
	}
}

// What the owner calls otherwise than it calls itself is told in the configuration.
func TestASiteByAnotherName(t *testing.T) {
	t.Parallel()
	v, told := hoursOf(t, func(c *Config, f *fleet) {
		c.Nodes[0].Site = "gate"
		f.speak(func(target string) *nodestate.State {
			s := f.charged(target, 0.9)
			if target == "http://10.0.0.0" {
				s.Site = "gate"
			}
			return s
		})
	}, nil, 30*time.Minute)
	if n := v.Nodes[0]; n.Cause != watch.Fine || len(told) != 0 {
		t.Errorf("%q: %s", told, all(n))
	}
}

// A page that says the same again and again lives, but the loop behind it does not: nobody
// watches that battery.
func TestAFrozenPage(t *testing.T) {
	t.Parallel()
	v, told := hoursOf(t, nil, func(f *fleet) {
		still := time.Now()
		f.speak(func(target string) *nodestate.State {
			s := f.charged(target, 0.8)
			if target == "http://10.0.0.0" {
				s.At = still
			}
			return s
		})
	}, 40*time.Minute)
	n := v.Nodes[0]
	if n.Cause != watch.Board || n.Heard == nil || *n.Heard || !strings.Contains(all(n), "says the same since") || strings.Contains(all(n), "spare board") {
		t.Errorf("heard %v:\n%s", n.Heard, all(n))
	}
	if age := v.At.Sub(*n.Stated); age < 35*time.Minute {
		t.Errorf("what it says is told as %v old, and is 40 min", age)
	}
	if len(told) != 1 || !strings.HasPrefix(told[0], "raised node0") || v.Nodes[1].Cause != watch.Fine {
		t.Errorf("told %q", told)
	}
}

// A healthy node will not go dark as far as it says: no hour of a cut-off or of a return is told.
func TestAHealthyNodeIsNotSpokenOfAsDark(t *testing.T) {
	t.Parallel()
	hours := map[string]float64{"dark": 150, "back": 190, "late": 230}
	say := func(chance float64) func(*Config, *fleet) {
		return func(_ *Config, f *fleet) {
			f.speak(func(target string) *nodestate.State {
				s := f.charged(target, 0.9)
				p50, back, late := hours["dark"], hours["back"], hours["late"]
				s.Outlook = &nodestate.Outlook{At: s.At, BackHours: &back, BackLate: &late}
				s.Outlook.Cutoff.P50 = &p50
				s.Outlook.Cutoff.Within = map[string]nodestate.Num{"24h": &chance}
				return s
			})
		}
	}
	if v, _ := hoursOf(t, say(0.01), nil, 10*time.Minute); v.Nodes[0].Dark != nil || v.Nodes[0].Back != nil || v.Nodes[0].Late != nil {
		t.Errorf("with a chance of 1 in 100: dark %v, back %v, at the latest %v", v.Nodes[0].Dark, v.Nodes[0].Back, v.Nodes[0].Late)
	}
	if v, _ := hoursOf(t, say(0.6), nil, 10*time.Minute); v.Nodes[0].Dark == nil || v.Nodes[0].Back == nil {
		t.Error("with a chance of 3 in 5 nothing is said of the dark ahead")
	}
}

// Nobody was heard yet: that is not "nothing to do".
func TestNothingHeardIsNotNothingToDo(t *testing.T) {
	t.Parallel()
	v := &View{Nodes: []NodeView{{Name: "a", Judged: Judged{Cause: watch.CannotTell}}, {Name: "b", Judged: Judged{Cause: watch.Fine}}}}
	if got := v.Sentence(); strings.Contains(got, "Nothing to do") || !strings.Contains(got, "1 of 2") {
		t.Error(got)
	}
	v.Nodes[0].Cause = watch.Fine
	if got := v.Sentence(); got != "Nothing to do: 2 nodes are heard or dark as they said" {
		t.Error(got)
	}
}
