package outbox

import (
	"encoding/json"
	"errors"
	"maps"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"ebbwatch/alert"
)

// node is a daemon reduced to what touches notices: it steps the engine, puts what comes,
// persists, sends, persists again. It can be killed between any two of these.
type node struct {
	t       *testing.T
	dice    *rand.Rand
	e       alert.Engine
	b       Box
	now     time.Time
	facts   map[string]float64
	mem     memory
	disk    []byte
	phases  map[string][]alert.Phase // by id: what was persisted to be sent
	arrived map[string][]alert.Notice
	kills   int
}

// memory is what the node persists, in one piece.
type memory struct {
	Engine alert.State
	Outbox State
}

func rules() []alert.Rule {
	var list []alert.Rule
	for _, name := range []string{"a", "b"} {
		list = append(list, alert.Rule{
			Name: name, Summary: name,
			Rungs: []alert.Rung{
				{Name: "low", Severity: alert.Warning, When: alert.MustExpr(name + " >= 1"), Title: "{{subject}} {{rung}}", Text: "{{number `serial`}}"},
				{Name: "high", Severity: alert.Critical, When: alert.MustExpr(name + " >= 2"), Title: "{{subject}} {{rung}}", Text: "{{number `serial`}}"},
			},
			Over: "{{number `serial`}}",
		})
	}
	return list
}

func newNode(t *testing.T, seed uint64) *node {
	n := &node{
		t: t, dice: rand.New(rand.NewPCG(seed, 6)), now: start(), facts: map[string]float64{},
		e:      alert.Engine{Rules: rules(), Site: "slipway"},
		b:      Box{Channels: []Channel{{Name: "one"}, {Name: "two"}}},
		phases: map[string][]alert.Phase{}, arrived: map[string][]alert.Notice{},
	}
	n.persist()
	return n
}

func (n *node) persist() {
	data, err := json.Marshal(n.mem)
	if err != nil {
		n.t.Fatal(err)
	}
	n.disk = data
}

// dies drops what is in memory, as kill -9 does, if the schedule says so.
func (n *node) dies() bool {
	if n.dice.IntN(10) > 0 {
		return false
	}
	n.kills++
	n.mem = memory{}
	if err := json.Unmarshal(n.disk, &n.mem); err != nil {
		n.t.Fatal(err)
	}
	return true
}

func (n *node) get(name string) (float64, bool) {
	x, known := n.facts[name]
	return x, known
}

// step is one pass of the loop.
func (n *node) step() {
	n.facts["serial"]++ // tells the age of a notice whatever the clock does
	next, notices := n.e.Step(n.mem.Engine, n.now, n.get)
	n.mem.Engine = next
	for _, notice := range notices {
		n.mem.Outbox = n.b.Put(n.mem.Outbox, notice, n.now)
	}
	if n.dies() { // before the notices are kept
		return
	}
	n.persist()
	for _, notice := range notices {
		n.phases[notice.ID] = append(n.phases[notice.ID], notice.Phase)
	}
}

// receiver is how a receiver behaves.
type receiver int

const (
	well    receiver = iota
	away             // it is not reached
	torn             // it takes the notice, and its answer is lost
	refuses          // it answers 500
)

// send is one round of sending, each channel by itself.
func (n *node) send(how map[string]receiver) {
	next, due := n.b.Due(n.mem.Outbox, n.now)
	n.mem.Outbox = next
	if len(due) > 0 {
		if n.dies() { // before what is due is kept
			return
		}
		n.persist()
	}
	for _, d := range due {
		if n.dies() { // before a notice is sent
			return
		}
		var err error
		switch how[d.Channel] {
		case away, refuses:
			err = errors.New("not taken")
		case torn:
			err = errors.New("no answer")
			fallthrough
		default:
			n.arrived[d.Channel] = append(n.arrived[d.Channel], d.Notice)
		}
		if n.dies() { // after a notice was sent
			return
		}
		n.mem.Outbox = n.b.Done(n.mem.Outbox, d, err, n.now)
		if n.dies() { // before the outcome is kept
			return
		}
		n.persist()
	}
}

// settle ends all alarms and lets everything be sent.
func (n *node) settle() {
	n.facts["a"], n.facts["b"] = 0, 0
	for range 200 {
		n.facts["serial"]++
		n.now = n.now.Add(5 * time.Minute)
		next, notices := n.e.Step(n.mem.Engine, n.now, n.get)
		n.mem.Engine = next
		for _, notice := range notices {
			n.mem.Outbox = n.b.Put(n.mem.Outbox, notice, n.now)
			n.phases[notice.ID] = append(n.phases[notice.ID], notice.Phase)
		}
		next2, due := n.b.Due(n.mem.Outbox, n.now)
		n.mem.Outbox = next2
		for _, d := range due {
			n.arrived[d.Channel] = append(n.arrived[d.Channel], d.Notice)
			n.mem.Outbox = n.b.Done(n.mem.Outbox, d, nil, n.now)
		}
		if len(due) == 0 && n.empty() {
			return
		}
	}
}

func (n *node) empty() bool {
	for _, t := range n.mem.Engine.Tracks {
		if t.ID != "" {
			return false
		}
	}
	return n.mem.Outbox.Waiting("one")+n.mem.Outbox.Waiting("two") == 0
}

func rank(p alert.Phase) int {
	return slices.Index([]alert.Phase{alert.Raised, alert.Changed, alert.Cleared}, p)
}

// judge holds what arrived on a channel against what was to be sent.
func (n *node) judge(channel string) {
	byID := map[string][]alert.Notice{}
	for _, notice := range n.arrived[channel] {
		if n.phases[notice.ID] == nil {
			n.t.Fatalf("%s: an alarm arrived that never was: %s", channel, notice.ID)
		}
		byID[notice.ID] = append(byID[notice.ID], notice)
	}
	for id, meant := range n.phases {
		got := byID[id]
		if len(got) == 0 {
			n.t.Fatalf("%s: nothing arrived of %s, which was %v", channel, id, meant)
		}
		for i := range got[1:] {
			if rank(got[i+1].Phase) < rank(got[i].Phase) || got[i+1].Facts["serial"] < got[i].Facts["serial"] {
				n.t.Fatalf("%s: %s came as %s after %s", channel, id, got[i+1].Phase, got[i].Phase)
			}
		}
		if last := got[len(got)-1].Phase; last != meant[len(meant)-1] {
			n.t.Fatalf("%s: the last of %s is %s, want %v", channel, id, last, meant)
		}
		if first := got[0]; first.Phase != alert.Raised && first.Facts["merged"] < 2 {
			n.t.Fatalf("%s: the raise of %s never came: first is %s", channel, id, first.Phase)
		}
	}
	if q := n.mem.Outbox.Queues[channel]; len(q.Items) > 0 || q.Dropped > 0 || q.Refused > 0 {
		n.t.Fatalf("%s: at the end %d wait, %d were dropped, %d refused", channel, len(q.Items), q.Dropped, q.Refused)
	}
}

// pick is one of a list, by the dice.
func pick[T any](n *node, list ...T) T { return list[n.dice.IntN(len(list))] }

// TestEveryNoticeArrivesWheneverTheNodeIsKilled plays 2000 random schedules of alarms that
// rise, climb and clear, of receivers that fail in every way, and of kills between any two
// steps of the node.
func TestEveryNoticeArrivesWheneverTheNodeIsKilled(t *testing.T) {
	t.Parallel()
	kills, alarms, arrived, repeats := 0, 0, 0, 0
	const schedules = 2000
	for seed := range uint64(schedules) {
		n := newNode(t, seed)
		how := map[string]receiver{}
		for range 4 + n.dice.IntN(10) {
			n.now = n.now.Add(time.Duration(pick(n, 10, 60, 600, 5000, -3600)) * time.Second)
			n.facts[pick(n, "a", "b")] = float64(n.dice.IntN(3))
			how[pick(n, "one", "two")] = receiver(n.dice.IntN(4))
			n.step()
			n.send(how)
		}
		n.settle()
		n.judge("one")
		n.judge("two")
		if t.Failed() {
			t.Fatalf("the schedule was %d", seed)
		}
		kills, alarms, arrived, repeats = kills+n.kills, alarms+len(n.phases), arrived+len(n.arrived["one"])+len(n.arrived["two"]), repeats+n.repeats()
	}
	t.Logf("%d kills, %d alarms, %d messages on two channels, %d of them repeats", kills, alarms, arrived, repeats)
	if kills < 2*schedules || alarms < schedules || repeats < schedules {
		t.Errorf("%d kills, %d alarms and %d repeats are too few to show anything", kills, alarms, repeats)
	}
}

// repeats counts the messages that arrived more than once.
func (n *node) repeats() int {
	count := 0
	for _, list := range n.arrived {
		seen := map[string]bool{}
		for _, notice := range list {
			key := notice.ID + string(notice.Phase)
			if notice.Phase != alert.Changed && seen[key] {
				count++
			}
			seen[key] = true
		}
	}
	return count
}

// TestAWeekWithoutALink: of each alarm of the week one message arrives, however often it
// changed.
func TestAWeekWithoutALink(t *testing.T) {
	t.Parallel()
	changes := 0
	for seed := range uint64(4) {
		n := newNode(t, seed)
		for range 7 * 24 * 6 {
			n.now = n.now.Add(10 * time.Minute)
			if n.dice.IntN(5) == 0 {
				n.facts[pick(n, "a", "b")] = float64(n.dice.IntN(3))
			}
			n.step()
			n.send(map[string]receiver{"one": away, "two": refuses})
		}
		n.now = n.now.Add(time.Hour) // the link is back
		before := maps.Clone(n.phases)
		for _, meant := range before {
			changes += len(meant)
		}
		waiting := n.mem.Outbox.Waiting("one")
		n.settle()
		n.judge("one")
		n.judge("two")
		byID := map[string]int{}
		for _, notice := range n.arrived["one"] {
			byID[notice.ID]++
		}
		for id, meant := range before {
			if over := meant[len(meant)-1] == alert.Cleared; over && byID[id] != 1 {
				t.Fatalf("schedule %d: %d messages of %s, which was %v", seed, byID[id], id, meant)
			}
		}
		if waiting > len(before)+2 { // what came in the last minutes is not merged yet
			t.Errorf("schedule %d: %d notices of %d alarms wait", seed, waiting, len(before))
		}
	}
	if changes < 300 {
		t.Errorf("%d notices in all are too few to show anything", changes)
	}
}
