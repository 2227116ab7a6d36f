package core

import (
	"math"
	"testing"
	"time"

	"ebbwatch/alert"
	"ebbwatch/cmd/internal/facts"
	"ebbwatch/collector/reading"
	"ebbwatch/estimator/advice"
)

func TestAdviceInNumbers(t *testing.T) {
	t.Parallel()
	c := New(testPlan())
	leave := start().Add(5 * time.Hour)
	c.offers = []advice.Offer{
		{Kind: advice.Shed, Before: 0.7, After: 0.4, From: 0, To: 6, ActBy: start().Add(time.Hour)},
		{Kind: advice.Shed, Before: 0.7, After: 0.08, From: 23, To: 6, ActBy: start().Add(time.Hour)},
		{Kind: advice.Clean, Before: 0.7, After: 0.7, Trip: true, ActBy: leave},
		{Kind: advice.TopUp, Before: 0.7, After: 0.3, Wh: 240, Trip: true, ActBy: leave},
	}
	x := map[string]float64{}
	c.adviceFacts(start(), x)
	want := map[string]float64{
		"advice_shed_from_hour": 23, "advice_shed_to_hour": 6, "advice_shed_chance_after": 0.08,
		"advice_topup_wh": 240, "advice_topup_chance_after": 0.3, "act_by_hours": 5, "advice_chance_before": 0.7,
	}
	for name, value := range want {
		if x[name] != value {
			t.Errorf("%s is %g, want %g", name, x[name], value)
		}
	}
	if len(x) != len(want) {
		t.Errorf("got %v", x)
	}
	for name := range x {
		if _, known := facts.NewIndex().Known(name); !known {
			t.Errorf("no row of the table of facts is named %s", name)
		}
	}
}

// A notice of the dark ahead carries what to do, although no price list was made before it.
func TestNoticeAsksForAdvice(t *testing.T) {
	t.Parallel()
	p := testPlan()
	p.Engine = alert.Engine{Rules: alert.Builtin(), Site: "slipway", Zone: time.UTC, TripHours: 1.5}
	p.Battery.InitialSoC = 0.3
	c := New(p)
	var got []alert.Notice
	for i := range 120 {
		when := time.Duration(i) * time.Minute
		take(t, c, report("charger", when, nil, reading.BatteryVolts, 12.9, reading.BatteryAmps, -3.0, reading.PanelWatts, 0.0, reading.LoadWatts, 39.0))
		for _, n := range c.Step(at(when)) {
			if wantsAdvice([]alert.Notice{n}) {
				got = append(got, n)
			}
		}
	}
	if len(got) == 0 {
		t.Fatal("24 Ah at 3 A in January, and no warning")
	}
	if _, known := got[0].Facts["advice_topup_wh"]; !known && len(c.offers) == 0 {
		t.Errorf("no advice was worked out for %q", got[0].Title)
	}
}

// Advice that says to leave after the time at which, by the newest outlook, it may be too
// late is worked out anew at once, not when its hour is up.
func TestAdviceThatIsOvertakenIsRenewed(t *testing.T) {
	t.Parallel()
	p := testPlan()
	p.AdviseEvery = time.Hour
	c := New(p)
	now := at(10 * time.Minute)
	c.advised, c.looked = time.Minute, 9*time.Minute
	c.outlook.At = now.Wall
	c.offers = []advice.Offer{{Kind: advice.TopUp, Trip: true, ActBy: now.Wall.Add(30 * time.Hour)}}
	for _, x := range []struct {
		early float64
		due   bool
	}{{math.NaN(), false}, {48, false}, {29, true}} {
		c.outlook.Spell.Early = x.early
		if c.adviseDue(now) != x.due {
			t.Errorf("early end in %g h, leave within 30 h: due %v, want %v", x.early, !x.due, x.due)
		}
	}
	c.advised = c.looked // the advice knows this outlook: no earlier chance to go was found
	if c.adviseDue(now) {
		t.Error("advice made after the outlook is due again")
	}
}
