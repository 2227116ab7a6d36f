package alert

import (
	"slices"
	"strings"
	"testing"
	"time"
)

func one[T any](x T) *T { return &x }

// mistakes builds the rules of a configuration and lists what is wrong with it.
func mistakes(c Config) []string {
	var list []string
	c.Check(func(key, what string) { list = append(list, key+": "+what) })
	return list
}

func find(t *testing.T, rules []Rule, name string) Rule {
	t.Helper()
	i := slices.IndexFunc(rules, func(r Rule) bool { return r.Name == name })
	if i < 0 {
		t.Fatalf("there is no rule %s", name)
	}
	return rules[i]
}

func TestConfigMistakes(t *testing.T) {
	t.Parallel()
	frost := MustExpr("battery_celsius < 0")
	for want, rc := range map[string]RuleConfig{
		`rules[0].name: there is no built-in rule "load_crep" to mute`:                 {Name: "load_crep", Mute: true},
		`rules[0].name: there is no built-in rule "frost"; one of your own needs when`: {Name: "frost"},
		`rules[0].name: "Frost!" is not made of a-z, 0-9 and _`:                        {Name: "Frost!", RungFields: RungFields{When: frost}},
		`rules[0].after[1]: there is no rule "nope"`:                                   {Name: "load_creep", After: []string{"not_full", "nope"}},
		`rules[0].title: cannot be read: line 1: function "foo" not defined; there are ago, alarm, amps, celsius, chance, clock, fact, falls, first, helps, hours, known, lasted, millis, now, number, oclock, of, percent, rung, say, seconds, since, site, subject, told, values, volts, watts, window`: {Name: "load_creep", RungFields: RungFields{Title: "{{foo}}"}},
		`rules[0].advice[1]: cannot be read: line 1: bad character U+007D '}'`: {Name: "load_creep", RungFields: RungFields{Advice: []string{"a", "{{b}"}}},
		`rules[0].rungs[0].name: the rule over_temperature has no rung "warm"; it has hot, far too hot`: {
			Name: "over_temperature", Rungs: []RungConfig{{Name: "warm"}}},
		`rules[0].rungs[0].name: the rule load_creep has no rung "warm"; it has only one, without a name`: {
			Name: "load_creep", Rungs: []RungConfig{{Name: "warm"}}},
		`rules[0].for: the rule over_temperature has several rungs (hot, far too hot): say which one, under rungs`: {
			Name: "over_temperature", RungFields: RungFields{For: one(time.Hour)}},
		`rules[0].name: peer_up/* asks for each, but the rule does not say each: source, peer or channel`: {
			Name: "frost", RungFields: RungFields{When: MustExpr("peer_up/* == 0")}},
		`rules[0].name: the rung "b" has no condition: it needs when`: {
			Name: "frost", Rungs: []RungConfig{{Name: "a", RungFields: RungFields{When: frost}}, {Name: "b"}}},
	} {
		if got := mistakes(Config{Rules: []RuleConfig{rc}}); !slices.Equal(got, []string{want}) {
			t.Errorf("got  %q\nwant %q", got, want)
		}
	}
	twice := RuleConfig{Name: "frost", RungFields: RungFields{When: frost}}
	if got := mistakes(Config{Rules: []RuleConfig{twice, twice}}); !slices.Equal(got, []string{`rules[1].name: "frost" is given twice`}) {
		t.Errorf("got %q", got)
	}
}

func TestRulesOfTheOwnersOwn(t *testing.T) {
	t.Parallel()
	c := Config{Rules: []RuleConfig{
		{Name: "load_creep", Mute: true},
		{Name: "over_temperature", Rungs: []RungConfig{{Name: "hot", RungFields: RungFields{When: MustExpr("battery_celsius > 40"), For: one(time.Hour), AnyHour: one(true)}}}},
		{Name: "frost", RungFields: RungFields{When: MustExpr("battery_celsius < 0"), Severity: Critical}, ClearFor: one(time.Minute),
			Watch: &Watch{Fact: "battery_celsius", By: 5}},
	}}
	if got := mistakes(c); got != nil {
		t.Fatalf("got %q", got)
	}
	rules := c.Build()
	if slices.ContainsFunc(rules, func(r Rule) bool { return r.Name == "load_creep" }) {
		t.Error("a muted rule is there")
	}
	hot := find(t, rules, "over_temperature").Rungs
	if hot[0].When.String() != "battery_celsius > 40" || hot[0].For != time.Hour || !hot[0].AnyHour || hot[0].Severity != Warning || hot[0].Title == "" {
		t.Errorf("the changed rung is %+v", hot[0])
	}
	if hot[1].When.String() != "battery_celsius > 60" {
		t.Errorf("the other rung is %+v", hot[1])
	}
	d := newDrill(t, find(t, rules, "frost")).set("battery_celsius", -3)
	got := d.run(5 * time.Minute)
	d.want(got, "raised frost")
	if n := got[0]; n.Severity != Critical || n.Title != "slipway: frost" || !strings.Contains(n.Text, "Now: battery_celsius -3.") {
		t.Errorf("the notice is %+v", n)
	}
	d.set("battery_celsius", -9)
	d.want(d.run(5*time.Minute), "")
	d.want(d.run(6*time.Hour), "changed frost")
	d.set("battery_celsius", 0)
	d.want(d.run(5*time.Minute), "cleared frost")
}

func TestUses(t *testing.T) {
	t.Parallel()
	c := Config{Rules: []RuleConfig{
		{Name: "a", RungFields: RungFields{When: MustExpr("x > 1")}, Clear: MustExpr("y"), Watch: &Watch{Fact: "z"}},
		{Name: "b", Rungs: []RungConfig{{}, {RungFields: RungFields{When: MustExpr("u/* < v")}}}},
	}}
	want := []Use{{"rules[0].when", "x"}, {"rules[0].clear", "y"}, {"rules[0].watch.fact", "z"}, {"rules[1].rungs[1].when", "u/*"}, {"rules[1].rungs[1].when", "v"}}
	if got := c.Uses(); !slices.Equal(got, want) {
		t.Errorf("got %v, want %v", got, want)
	}
}

func TestQuietText(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]Quiet{"22:00-07:00": {1320, 420}, "00:30-06:15": {30, 375}, "off": {}} {
		var q Quiet
		if err := q.UnmarshalText([]byte(text)); err != nil || q != want {
			t.Errorf("%s is %v, %v", text, q, err)
		}
	}
	for _, text := range []string{"", "22-07", "22:00", "25:00-07:00", "22:00-07:00-09:00"} {
		var q Quiet
		if err := q.UnmarshalText([]byte(text)); err == nil || !strings.Contains(err.Error(), "neither hours") {
			t.Errorf("%q gave %v, %v", text, q, err)
		}
	}
}

func TestBuiltinRulesAreSound(t *testing.T) {
	t.Parallel()
	seen := map[string]bool{}
	for _, r := range Builtin() {
		if seen[r.Name] || !ruleName.MatchString(r.Name) || r.Summary == "" || len(r.Rungs) == 0 {
			t.Errorf("the rule %q is not sound", r.Name)
		}
		for _, other := range r.After {
			if !seen[other] {
				t.Errorf("%s comes after %s, which must stand before it", r.Name, other)
			}
		}
		seen[r.Name] = true
		r.check(func(key, what string) { t.Errorf("%s: %s", r.Name, what) })
		for _, g := range r.Rungs {
			for _, text := range append([]string{g.Title, g.Text, r.Over}, g.Advice...) {
				rc := RuleConfig{Over: text}
				rc.checkTexts(func(key, what string) { t.Errorf("%s: %q %s", r.Name, text, what) })
			}
			if g.Severity == "" {
				t.Errorf("%s %s has no severity", r.Name, g.Name)
			}
		}
	}
}

// TestNothingKnownSaysNothing: with no fact known at all, nothing is raised, ever.
func TestNothingKnownSaysNothing(t *testing.T) {
	t.Parallel()
	d := newDrill(t, Builtin()...)
	d.facts = map[string]float64{}
	for range 200 {
		d.want(d.step(time.Hour), "")
	}
}

func TestExplain(t *testing.T) {
	t.Parallel()
	d := newDrill(t, cutoffAhead(), sourceSilent(), cold())
	d.set("cutoff_within_72h", 0.12, "cutoff_within_120h", 0.25, "source_age_seconds/charger", 3, "source_every_seconds/charger", 10, "source_up/charger", 1)
	for i, want := range []string{
		"cutoff_ahead warns that it may go dark soon: note, info, when cutoff_within_120h >= 0.2 for 60 minutes, now yes; " +
			"heads-up, warning, when cutoff_within_120h >= warn_chance or cutoff_within_72h >= 0.9 * warn_chance for 30 minutes, now no; " +
			"act by, critical, when cutoff_within_72h >= 0.5 or cutoff_within_48h >= 0.3 for 30 minutes, now not known; " +
			"last words, critical, when cutoff_within_24h >= 0.5 and cutoff_hours_p50 < 6 and not (known(load_dark) and load_dark > 0) for 60 seconds, now not known; " +
			"over when cutoff_within_120h < min(0.125, 0.5 * warn_chance) for 2 hours; held back by blind. " +
			"Now cutoff_within_120h 0.25, warn_chance 0.5, cutoff_within_72h 0.12, cutoff_within_48h not known, cutoff_within_24h not known, cutoff_hours_p50 not known, load_dark not known.",
		"source_silent (charger) warns that an instrument does not answer: warning, when source_age_seconds/* > max(300, 5 * source_every_seconds/*)" +
			" or not known(source_age_seconds/*) and source_up/* == 0 for 5 minutes, now no; over when source_up/* == 1 and" +
			" not (source_age_seconds/* > max(300, 5 * source_every_seconds/*)) for 2 minutes; held back by blind." +
			" Now source_age_seconds/charger 3, source_every_seconds/charger 10, source_up/charger 1.",
	} {
		if got := d.e.ExplainAll(d.get)[i].Text; got != want {
			t.Errorf("got  %s\nwant %s", got, want)
		}
	}
	if all := d.e.ExplainAll(d.get); len(all) != 4 { // two sources
		t.Errorf("%d lines, want 4", len(all))
	}
}
