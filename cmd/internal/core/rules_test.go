package core

import (
	"errors"
	"maps"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"ebbwatch/alert"
	"ebbwatch/cmd/internal/facts"
	"ebbwatch/collector"
	"ebbwatch/collector/reading"
	"ebbwatch/collector/sim"
)

// engineFacts are those that the engine works out itself where nobody else does.
func engineFacts() []string {
	return []string{"trip_hours", "warn_chance", "act_by_hours", "act_ahead_hours", "in_time"}
}

// asked lists the facts that a rule asks for: in its conditions, and in its words, where a
// fact stands in quotes.
func asked(r alert.Rule) (conditions, words []string) {
	conditions = r.Names()
	texts := []string{r.Over}
	for _, g := range r.Rungs {
		texts = append(append(texts, g.Title, g.Text), g.Advice...)
	}
	said := regexp.MustCompile(`say "[a-z]+"`).ReplaceAllString(strings.Join(texts, " "), "") // no fact
	for _, m := range regexp.MustCompile("[\"`]([a-z0-9_/*]+)[\"`]").FindAllStringSubmatch(said, -1) {
		words = append(words, m[1])
	}
	if r.Watch.Fact != "" {
		words = append(words, r.Watch.Fact)
	}
	return conditions, words
}

// lifeForRules is a simulated node with every instrument that a node may have, over five
// weeks, of which one is grey: what a rule may ask for comes up at some time. known
// gets each fact by its name, with /* for one of a source or peer.
func lifeForRules(t *testing.T) (known, fired map[string]bool) {
	t.Helper()
	const days = 42
	spec := sim.DemoSpec(3)
	start := time.Date(2026, 9, 20, 0, 0, 0, 0, time.UTC)
	sky := make([]float64, days)
	for i := range sky {
		if sky[i] = 0.8; i > 24 && i < 34 { // it goes dark in these, and comes back after them
			sky[i] = 0.06
		}
	}
	spec.Start, spec.Load.UnmeteredWatts = start, 3
	spec.Sky = sim.NewWeather(spec.Latitude, spec.Longitude, sim.Story(spec.Latitude, spec.Longitude, start, sky, 6), 3)
	site, plan := sim.New(spec), testPlan()
	plan.Array.WattsPeak, plan.Battery.CapacityAh = 300, 100
	plan.OutlookEvery, plan.AdviseEvery, plan.FalseAYear = 6*time.Hour, 24*time.Hour, 3
	plan.Engine = alert.Engine{Rules: alert.Builtin(), Site: plan.Site, TripHours: 1.5}
	plan.Engine.Instances = map[string][]string{"source": {"charger", "box", "path"}, "peer": {"gate"}}
	begin := func() *Core {
		c := New(plan)
		c.SetExternalFacts(map[string]float64{"disk_free_ratio": 0.5, "state_kept": 1, "record_kept": 1, "remote_write_refused_total": 0, "remote_write_since_refusal_seconds": 1e6})
		c.SetChannels([]facts.Channel{{Name: "owner"}})
		return c
	}
	c := begin()
	known, fired = map[string]bool{}, map[string]bool{}
	for d := 10 * time.Minute; d <= days*24*time.Hour; d += 10 * time.Minute {
		if d == 10*24*time.Hour { // it is off for some hours, and starts again
			m := c.Memory()
			d += 5 * time.Hour
			c = begin()
			c.Resume(m, reading.Stamp{Mono: d, Wall: start.Add(d), Trusted: true})
		}
		now := reading.Stamp{Mono: d, Wall: start.Add(d), Trusted: true}
		if site.StepTo(now.Wall); d == 18*24*time.Hour {
			site.Cover(1) // until the battery is low, and its outlook poor
		} else if d == 34*24*time.Hour {
			site.Cover(0)
		}
		soc := reading.Value{Quantity: reading.ControllerSoC, X: site.Truth().SoC}
		for name, values := range map[string][]reading.Value{
			"charger": append(site.Measured(), soc, reading.Value{Quantity: reading.AirCelsius, X: site.Truth().AirCelsius}),
			"path":    {{Quantity: reading.PeerUp, Of: "gate", X: 1}, {Quantity: reading.PeerLossRatio, Of: "gate"}, {Quantity: reading.PeerRTTSeconds, Of: "gate", X: 0.01}},
		} {
			take(t, c, collector.Report{Source: name, At: now, Values: values})
		}
		take(t, c, collector.Report{Source: "box", At: now, Err: errors.New("gone")})
		c.Forecast(&reading.Forecast{Issued: now.Wall.Truncate(6 * time.Hour)})
		for _, n := range c.Step(now) {
			fired[n.Rule] = true
		}
		if d%(6*time.Hour) == 0 {
			note(known, c.facts(now))
		}
	}
	return known, fired
}

// note adds what is known of a snapshot.
func note(known map[string]bool, s *facts.Snapshot) {
	for _, row := range facts.Table() {
		if row.Fact == "" {
			continue
		}
		row.Each(s, func(_ float64, labels ...string) {
			name := row.Fact
			if n := len(labels); n > 0 { // the last label is what a rule's star stands for
				name = strings.Join(append([]string{name}, labels[:n-1]...), "/") + "/*"
			}
			known[name] = true
		})
	}
}

// TestBuiltInRulesAskForFactsThatComeUp: every fact that a built-in rule names is in the
// table, and the node really gives it.
func TestBuiltInRulesAskForFactsThatComeUp(t *testing.T) {
	t.Parallel()
	known, fired := lifeForRules(t)
	index := facts.NewIndex()
	var never []string
	for _, r := range alert.Builtin() {
		conditions, words := asked(r)
		for _, name := range append(conditions, words...) {
			if slices.Contains(engineFacts(), name) {
				continue
			}
			fact, _, _ := strings.Cut(name, "/")
			if _, there := index.Known(fact); !there {
				t.Errorf("%s asks for %s, which is no fact", r.Name, name)
			} else if !known[name] && !slices.Contains(never, name) {
				never = append(never, name)
			}
		}
	}
	if len(never) > 0 {
		t.Errorf("the node never gave %s", strings.Join(never, ", "))
	}
	t.Logf("%d facts came up; these rules spoke: %s", len(known), strings.Join(slices.Sorted(maps.Keys(fired)), " "))
	for _, name := range []string{"cutoff_ahead", "source_silent", "load_unmetered"} {
		if !fired[name] {
			t.Errorf("%s never spoke", name)
		}
	}
}
