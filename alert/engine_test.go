package alert

import (
	"encoding/json"
	"reflect"
	"strings"
	"testing"
	"time"
)

// drill drives an engine through time for tests. The state goes through JSON every now and
// then, as after a restart.
type drill struct {
	t     *testing.T
	e     Engine
	s     State
	now   time.Time
	facts map[string]float64
	steps int
}

func newDrill(t *testing.T, rules ...Rule) *drill {
	zone, err := time.LoadLocation("Europe/Amsterdam")
	if err != nil {
		t.Fatal(err)
	}
	return &drill{
		t: t, e: Engine{Rules: rules, Site: "slipway", Zone: zone, TripHours: 1.5,
			Instances: map[string][]string{"source": {"charger", "path"}, "peer": {"gate"}, "channel": {"owner"}}},
		now:   time.Date(2026, 1, 10, 11, 0, 0, 0, time.UTC),
		facts: map[string]float64{"clock_trusted": 1},
	}
}

func (d *drill) get(name string) (float64, bool) {
	x, ok := d.facts[name]
	return x, ok
}

// set changes facts: name, value, name, value. A nil value makes the fact unknown.
func (d *drill) set(pairs ...any) *drill {
	for i := 0; i < len(pairs); i += 2 {
		name := pairs[i].(string)
		switch x := pairs[i+1].(type) {
		case nil:
			delete(d.facts, name)
		case int:
			d.facts[name] = float64(x)
		case float64:
			d.facts[name] = x
		default:
			d.t.Fatalf("%s: %T is not a fact", name, x)
		}
	}
	return d
}

// step moves the clock by dt and the engine once.
func (d *drill) step(dt time.Duration) []Notice {
	d.t.Helper()
	d.now = d.now.Add(dt)
	if d.steps++; d.steps%7 > 0 { // the checks below cost more than the step
		next, notices := d.e.Step(d.s, d.now, d.get)
		d.s = next
		return notices
	}
	data, err := json.Marshal(d.s)
	if err != nil {
		d.t.Fatal(err)
	}
	var again State
	if err := json.Unmarshal(data, &again); err != nil {
		d.t.Fatal(err)
	}
	next, notices := d.e.Step(again, d.now, d.get)
	if _, same := d.e.Step(again, d.now, d.get); !reflect.DeepEqual(notices, same) {
		d.t.Fatalf("the same inputs gave other notices:\n%v\n%v", notices, same)
	}
	if after, _ := json.Marshal(again); string(after) != string(data) {
		d.t.Fatalf("the step changed the state that it was given:\n%s\n%s", data, after)
	}
	d.s = next
	return notices
}

// run steps by a minute for a time and gathers the notices.
func (d *drill) run(span time.Duration) []Notice {
	d.t.Helper()
	var all []Notice
	for range int(span / time.Minute) {
		all = append(all, d.step(time.Minute)...)
	}
	return all
}

// said writes notices short: "raised cutoff_ahead, changed cutoff_ahead".
func said(notices []Notice) string {
	var words []string
	for _, n := range notices {
		words = append(words, string(n.Phase)+" "+n.Rule)
	}
	return strings.Join(words, ", ")
}

func (d *drill) want(got []Notice, want string) {
	d.t.Helper()
	if said(got) != want {
		d.t.Fatalf("at %s: got %q, want %q", d.now.Format("Mon 15:04"), said(got), want)
	}
}

// cold is a plain rule: below zero for ten minutes, over above two for five.
func cold() Rule {
	return Rule{
		Name: "cold", Summary: "it is cold",
		Rungs: []Rung{{
			Severity: Warning, For: 10 * time.Minute, When: MustExpr("battery_celsius < 0"),
			Title: `{{site}}: {{celsius "battery_celsius"}}`, Text: "It is {{celsius \"battery_celsius\"}}.", Advice: []string{"Put on a coat."},
		}},
		Clear: MustExpr("battery_celsius > 2"), ClearFor: 5 * time.Minute,
	}
}

func TestRaiseAndClear(t *testing.T) {
	t.Parallel()
	d := newDrill(t, cold()).set("battery_celsius", -3)
	d.want(d.run(10*time.Minute), "")
	raised := d.run(time.Minute)
	d.want(raised, "raised cold")
	d.want(d.run(time.Hour), "")
	d.set("battery_celsius", 1)
	d.want(d.run(time.Hour), "")
	d.set("battery_celsius", 3)
	d.want(d.run(5*time.Minute), "")
	cleared := d.run(time.Minute)
	d.want(cleared, "cleared cold")
	if raised[0].ID == "" || raised[0].ID != cleared[0].ID {
		t.Errorf("the id changed from %q to %q", raised[0].ID, cleared[0].ID)
	}
	if !cleared[0].Since.Equal(raised[0].At) {
		t.Errorf("the clear says since %v, the raise was at %v", cleared[0].Since, raised[0].At)
	}
	d.set("battery_celsius", -3)
	again := d.run(11 * time.Minute)
	d.want(again, "raised cold")
	if again[0].ID == raised[0].ID {
		t.Errorf("two alarms share the id %q", again[0].ID)
	}
}

func TestUnknownHolds(t *testing.T) {
	t.Parallel()
	d := newDrill(t, cold())
	d.want(d.run(time.Hour), "")
	d.set("battery_celsius", -3)
	d.want(d.run(6*time.Minute), "")
	d.set("battery_celsius", nil) // the dwell is kept, and does not go on
	d.want(d.run(time.Hour), "")
	d.set("battery_celsius", -3)
	d.want(d.run(5*time.Minute), "")
	d.want(d.run(time.Minute), "raised cold")
	d.set("battery_celsius", nil)
	d.want(d.run(48*time.Hour), "")
	d.set("battery_celsius", 3)
	d.want(d.run(6*time.Minute), "cleared cold")
}

func TestClockSteps(t *testing.T) {
	t.Parallel()
	d := newDrill(t, cold()).set("battery_celsius", -3)
	d.step(time.Minute)
	d.want(d.step(-30*365*24*time.Hour), "") // back by 30 years
	d.want(d.step(9*time.Minute), "")
	d.want(d.step(time.Minute), "raised cold")
	d.set("battery_celsius", 3)
	d.step(time.Minute)
	d.want(d.step(30*365*24*time.Hour), "cleared cold") // a long gap counts as maxStep, which is enough
	if d.s.Elapsed < 0 {
		t.Errorf("elapsed went back to %v", d.s.Elapsed)
	}
}

// TestTheClockIsSet: a board that starts in 1970 and learns the time has not run for 56 years.
func TestTheClockIsSet(t *testing.T) {
	t.Parallel()
	d := newDrill(t, cold()).set("clock_trusted", 0, "battery_celsius", -3)
	today := d.now
	d.now = time.Unix(0, 0)
	raised := d.run(20 * time.Minute)
	d.want(raised, "raised cold")
	if !strings.Contains(raised[0].Foot, clockNotKnown) {
		t.Errorf("nothing says that its time may be wrong: %s", raised[0].Foot)
	}
	d.now = today
	d.set("clock_trusted", 1, "battery_celsius", 5)
	over := d.run(10 * time.Minute)
	d.want(over, "cleared cold")
	if strings.Contains(over[0].Foot, clockNotKnown) {
		t.Errorf("the clock is right, and its message says: %s", over[0].Foot)
	}
	if !strings.Contains(over[0].Text, "lasted 29 minutes") { // 9 of the first 20, then 15 for the gap, then 5
		t.Errorf("the text is %s", over[0].Text)
	}
}

// TestAConditionThatHoldsIsNotCleared: where the two conditions of a rule overlap, the alarm
// stays, instead of rising and clearing without end.
func TestAConditionThatHoldsIsNotCleared(t *testing.T) {
	t.Parallel()
	r := cold()
	r.Clear = MustExpr("battery_celsius > -10")
	d := newDrill(t, r).set("battery_celsius", -3)
	d.want(d.run(3*time.Hour), "raised cold")
	d.set("battery_celsius", 1)
	d.want(d.run(10*time.Minute), "cleared cold")
}

func TestLongGapIsNoDwell(t *testing.T) {
	t.Parallel()
	slow := cold()
	slow.Rungs[0].For = time.Hour
	d := newDrill(t, slow).set("battery_celsius", -3)
	d.step(time.Minute)
	d.want(d.step(9*time.Hour), "") // the node was off: 15 minutes count at most
	d.want(d.run(44*time.Minute), "")
	d.want(d.run(time.Minute), "raised cold")
}

func TestInstances(t *testing.T) {
	t.Parallel()
	d := newDrill(t, sourceSilent())
	d.set("source_up/charger", 0, "source_age_seconds/charger", 400, "source_every_seconds/charger", 10,
		"source_up/path", 1, "source_age_seconds/path", 10, "source_every_seconds/path", 30)
	got := d.run(6 * time.Minute)
	d.want(got, "raised source_silent")
	if n := got[0]; !strings.Contains(n.Title, "charger") || !strings.Contains(n.ID, ".charger.") || n.Facts["source_age_seconds/charger"] != 400 {
		t.Errorf("the notice does not say which source: %+v", n)
	}
	d.set("source_up/charger", 1, "source_age_seconds/charger", 0)
	d.want(d.run(3*time.Minute), "cleared source_silent")
}

func TestLadder(t *testing.T) {
	t.Parallel()
	d := newDrill(t, cutoffAhead(), reserveAhead())
	d.set("cutoff_within_72h", 0.1, "cutoff_within_120h", 0.25, "reserve_within_48h", 0.6, "reserve_within_72h", 0.7, "reserve_hours_p50", 40)
	d.want(d.run(2*time.Hour), "raised reserve_ahead") // the note is for the page alone
	if got := len(d.e.Active(d.s, d.now, d.get)); got != 2 {
		t.Fatalf("%d alarms are active, want 2", got)
	}
	d.set("cutoff_within_72h", 0.46, "cutoff_hours_p10", 60, "cutoff_hours_p50", 90, "reserve_hours_p50", 20)
	d.want(d.run(2*time.Hour), "raised cutoff_ahead")
	d.set("cutoff_within_72h", 0.6, "cutoff_hours_p50", 88)
	d.want(d.run(2*time.Hour), "changed cutoff_ahead")
	d.set("cutoff_within_72h", 0.46) // back and forth between rungs is told once
	d.want(d.run(2*time.Hour), "")
	d.set("cutoff_within_72h", 0.6)
	d.want(d.run(2*time.Hour), "")
	d.set("cutoff_within_24h", 0.9, "cutoff_hours_p50", 5)
	d.want(d.run(time.Hour), "changed cutoff_ahead")
	d.set("cutoff_hours_p50", nil, "cutoff_within_72h", 0.05, "cutoff_within_120h", 0.1, "reserve_within_48h", 0.1, "reserve_within_72h", 0.1)
	d.want(d.run(2*time.Hour), "")
	d.want(d.run(2*time.Hour), "cleared cutoff_ahead, cleared reserve_ahead")
}
