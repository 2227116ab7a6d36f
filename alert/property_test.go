package alert

import (
	"math/rand/v2"
	"testing"
	"time"
)

// chaos sets facts at random, unknown among them, on all that the built-in rules ask for.
func (d *drill) chaos(dice *rand.Rand, names []string) {
	for range 6 {
		name := names[dice.IntN(len(names))]
		switch dice.IntN(5) {
		case 0:
			delete(d.facts, name)
		case 1:
			d.facts[name] = dice.Float64()
		case 2:
			d.facts[name] = float64(dice.IntN(2))
		default:
			d.facts[name] = 500*dice.Float64() - 20
		}
	}
}

// TestTheLifeOfAnAlarm plays random facts, clocks, quiet hours, silences and
// acknowledgements through all built-in rules. Each id is raised once, changed only in
// between, cleared once, and never heard of again; a clear may come alone only where the
// raise was held back in quiet hours.
func TestTheLifeOfAnAlarm(t *testing.T) {
	t.Parallel()
	counts := map[Phase]int{}
	for seed := range uint64(6) {
		dice := rand.New(rand.NewPCG(seed, 8))
		d := night(newDrill(t, Builtin()...))
		d.e.Escalate = true
		names := []string{"clock_trusted"}
		for _, r := range Builtin() {
			for _, name := range r.Names() {
				if base, ok := cutStar(name); ok {
					names = append(names, base+"/charger", base+"/path", base+"/gate")
					continue
				}
				names = append(names, name)
			}
		}
		life := map[string][]Notice{}
		for range 1200 {
			d.chaos(dice, names)
			if dice.IntN(300) == 0 {
				d.now = d.now.Add(-1000 * time.Hour)
			}
			if dice.IntN(150) == 0 {
				d.s = d.s.Silenced(d.now, 3*time.Hour, "a visit")
			}
			for _, n := range d.step([]time.Duration{time.Minute, 20 * time.Minute, 3 * time.Hour, 30 * time.Hour}[dice.IntN(4)]) {
				life[n.ID] = append(life[n.ID], n)
				counts[n.Phase]++
				if next, ok := d.s.Acknowledge(n.ID); ok && dice.IntN(2) == 0 {
					d.s = next
				}
			}
		}
		for id, notices := range life {
			judgeLife(t, id, notices)
		}
	}
	t.Logf("%v", counts)
	if counts[Raised] < 250 || counts[Changed] < 50 || counts[Cleared] < 200 {
		t.Errorf("%v are too few to show anything", counts)
	}
}

func cutStar(name string) (string, bool) {
	n := len(name)
	if n > 2 && name[n-2:] == "/*" {
		return name[:n-2], true
	}
	return name, false
}

func judgeLife(t *testing.T, id string, notices []Notice) {
	t.Helper()
	for i, n := range notices {
		last := i == len(notices)-1
		switch {
		case n.Phase == Raised && i > 0, n.Phase == Changed && i == 0, n.Phase == Cleared && !last:
			t.Errorf("%s: message %d of %d is %s", id, i+1, len(notices), n.Phase)
		case !n.Since.Equal(notices[0].Since) || n.Rule != notices[0].Rule:
			t.Errorf("%s: it began at %v and at %v", id, notices[0].Since, n.Since)
		case n.Title == "" || n.Text == "" || n.Severity == "" || n.Facts == nil || n.Advice == nil:
			t.Errorf("%s: something is missing in %+v", id, n)
		case n.Phase == Cleared && !n.Severity.AtLeast(notices[0].Severity):
			t.Errorf("%s: raised as %s, cleared as %s", id, notices[0].Severity, n.Severity)
		}
	}
}

// BenchmarkStep is one pass over all rules of a node with three sources and four peers,
// in quiet times.
func BenchmarkStep(b *testing.B) {
	e := Engine{Rules: Builtin(), Site: "slipway", Instances: map[string][]string{"source": {"a", "b", "c"}, "peer": {"d", "e", "f", "g"}}}
	facts := map[string]float64{"cutoff_within_72h": 0.1, "cutoff_within_120h": 0.1, "battery_celsius": 5, "disk_free_ratio": 0.5}
	get := func(name string) (float64, bool) { x, ok := facts[name]; return x, ok }
	now := time.Date(2026, 1, 10, 12, 0, 0, 0, time.UTC)
	var s State
	b.ReportAllocs()
	for b.Loop() {
		now = now.Add(10 * time.Second)
		s, _ = e.Step(s, now, get)
	}
}
