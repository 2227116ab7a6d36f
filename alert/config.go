package alert

import (
	"encoding"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"
	"text/template"
	"time"
)

var (
	_ encoding.TextUnmarshaler = (*Expr)(nil)
	_ encoding.TextUnmarshaler = (*Quiet)(nil)
)

// Config is the section alerts of the configuration; [Config.Build] makes the rules of it.
type Config struct {
	TripHours float64 `yaml:"trip_hours" default:"1.5" range:"0..240" doc:"hours from the decision to leave until a hand is on the node"`
	Quiet     Quiet   `yaml:"quiet" default:"22:00-07:00" doc:"local hours in which only what cannot wait is sent; off for none"`
	// FalseAYear sets the chance to warn at by the site's own record.
	FalseAYear float64      `yaml:"false_alarms_a_year" default:"0" range:"0..50" doc:"how many false warnings of the dark you accept in a year, by this node's own record; 0: the usual threshold"`
	Rules      []RuleConfig `yaml:"rules" doc:"changes to built-in rules, by name, and rules of your own"`
}

// RuleConfig changes the built-in rule of that name, or adds a rule. What is left out stays
// as it is.
type RuleConfig struct {
	Name     string         `yaml:"name" need:"true" len:"1..40" example:"cutoff_ahead" doc:"of a built-in rule, or of your own: a-z, 0-9 and _"`
	Mute     bool           `yaml:"mute" doc:"true switches the rule off"`
	Summary  string         `yaml:"summary" len:"..80" doc:"what it warns of, in a few words"`
	Each     string         `yaml:"each" oneof:"source peer channel" doc:"one alarm for each source, peer or channel; their facts are then written name/*"`
	Clear    Expr           `yaml:"clear" doc:"ends the alarm; the contrary of when if left out"`
	ClearFor *time.Duration `yaml:"clear_for" range:"0s..30d" doc:"how long that must hold"`
	After    []string       `yaml:"after" doc:"rules that explain this one away while they are active"`
	Watch    *Watch         `yaml:"watch" doc:"what is worth another message when it moved"`
	Over     string         `yaml:"over" doc:"a sentence for the message that it is over"`
	Rungs    []RungConfig   `yaml:"rungs" doc:"the steps of how grave it is, from the least; those of a built-in rule by name"`
	RungFields
}

// RungConfig is one rung of a rule that has several.
type RungConfig struct {
	Name string `yaml:"name" need:"true" len:"1..40" doc:"such as heads-up"`
	RungFields
}

// RungFields are what a rung is made of; a rule of one rung has them itself.
type RungFields struct {
	When          Expr           `yaml:"when" example:"battery_celsius < 0 and charge_amps > 0.2" doc:"the condition"`
	For           *time.Duration `yaml:"for" range:"0s..30d" example:"10m" doc:"how long it must hold"`
	Severity      Severity       `yaml:"severity" oneof:"info warning critical" doc:"how grave it is; a rule of your own is a warning unless told"`
	PageOnly      *bool          `yaml:"page_only" doc:"true: shown on the page and sent to nobody"`
	AnyHour       *bool          `yaml:"any_hour" doc:"true: sent in quiet hours too"`
	Escalate      *bool          `yaml:"escalate" doc:"true: sent to the second person when nobody acknowledged it by the time to act"`
	EscalateAfter *time.Duration `yaml:"escalate_after" range:"1m..30d" example:"6h" doc:"sent to the second person when nobody acknowledged it in this time"`
	RemindAfter   *time.Duration `yaml:"remind_after" range:"10m..30d" example:"24h" doc:"sent again each time that it went unacknowledged for so long"`
	Title         string         `yaml:"title" doc:"text/template, under 60 characters"`
	Text          string         `yaml:"text" doc:"text/template"`
	Advice        []string       `yaml:"advice" doc:"text/template each; what comes out empty is left out"`
}

// UnmarshalText reads a condition.
func (e *Expr) UnmarshalText(text []byte) error {
	parsed, err := ParseExpr(string(text))
	if err != nil {
		return fmt.Errorf("%q: %w", text, err)
	}
	*e = parsed
	return nil
}

// UnmarshalText reads quiet hours such as 22:00-07:00, or off.
func (q *Quiet) UnmarshalText(text []byte) error {
	if string(text) == "off" {
		*q = Quiet{}
		return nil
	}
	from, to, ok := strings.Cut(string(text), "-")
	a, errA := time.Parse("15:04", from)
	b, errB := time.Parse("15:04", to)
	if !ok || errA != nil || errB != nil {
		return fmt.Errorf("%q is neither hours such as 22:00-07:00 nor off", text)
	}
	*q = Quiet{From: a.Hour()*60 + a.Minute(), To: b.Hour()*60 + b.Minute()}
	return nil
}

// Check finds what the tags cannot say.
func (c *Config) Check(problem func(key, what string)) { c.build(problem) }

// Build is the built-in rules with the changes and additions of the configuration.
func (c *Config) Build() []Rule { return c.build(func(string, string) {}) }

// Condition is one that the configuration gives, and the key that it stands under.
type Condition struct {
	Key  string
	When Expr
}

// Conditions lists the conditions of the configuration.
func (c *Config) Conditions() (out []Condition) {
	for i, r := range c.Rules {
		out = append(out, r.conditions(fmt.Sprintf("rules[%d].", i))...)
	}
	return out
}

func (rc RuleConfig) conditions(at string) []Condition {
	out := []Condition{{at + "when", rc.When}, {at + "clear", rc.Clear}}
	for j, g := range rc.Rungs {
		out = append(out, Condition{fmt.Sprintf("%srungs[%d].when", at, j), g.When})
	}
	return out
}

// Use is a fact that the configuration asks for, and the key that asks.
type Use struct{ Key, Fact string }

// Uses lists the facts that the rules of the configuration ask for, so that the caller, who
// knows the table of facts, can refuse those that do not exist.
func (c *Config) Uses() []Use {
	var uses []Use
	words := func(at string, f RungFields) {
		for _, text := range append([]string{f.Title, f.Text}, f.Advice...) {
			for _, fact := range factsIn(text) {
				uses = append(uses, Use{at, fact})
			}
		}
	}
	for i, r := range c.Rules {
		at := fmt.Sprintf("rules[%d].", i)
		for _, x := range r.conditions(at) {
			for _, n := range x.When.Names() {
				_, fact, _, _ := overSpan(n.Fact)
				uses = append(uses, Use{x.Key, fact})
			}
		}
		words(at+"when", r.RungFields)
		words(at+"name", RungFields{Text: r.Over})
		for j, g := range r.Rungs {
			words(fmt.Sprintf("%srungs[%d].name", at, j), g.RungFields)
		}
		if r.Watch != nil {
			uses = append(uses, Use{at + "watch.fact", r.Watch.Fact})
		}
	}
	return uses
}

// factsIn lists the facts that a text asks for by their names in quotes.
func factsIn(text string) (facts []string) {
	w := words{u: &use{}}
	t, err := template.New("").Funcs(w.funcs()).Parse(text)
	if err != nil || t.Tree == nil {
		return nil // told by checkTexts
	}
	for _, action := range actions.FindAllString(t.Tree.Root.String(), -1) {
		for _, m := range quoted.FindAllStringSubmatch(action, -1) {
			if name := m[2] + m[3]; m[1] != "say" && m[1] != "print" && m[1] != "printf" {
				facts = append(facts, name)
			}
		}
	}
	return facts
}

// actions are the parts of a text that are no text.
var actions = regexp.MustCompile(`\{\{.*?\}\}`)

// quoted finds a word before a name of a fact in quotes.
var quoted = regexp.MustCompile(`(?:(\w+) )?(?:"([a-z][a-z0-9_]*(?:/[^"]*)?)"|` + "`([a-z][a-z0-9_]*(?:/[^`]*)?)`" + `)`)

// OwnFacts are those that the engine works out itself, beside the table of facts.
func OwnFacts() []string {
	return []string{"trip_hours", "warn_chance", "act_by_hours", "act_ahead_hours", "in_time", "hour", "weekday"}
}

func (c *Config) build(problem func(key, what string)) []Rule {
	rules := Builtin()
	for i, rc := range c.Rules {
		at := fmt.Sprintf("rules[%d]", i)
		report := func(key, what string) { problem(at+"."+key, what) }
		if slices.ContainsFunc(c.Rules[:i], func(r RuleConfig) bool { return r.Name == rc.Name }) {
			report("name", fmt.Sprintf("%q is given twice", rc.Name))
			continue
		}
		j := slices.IndexFunc(rules, func(r Rule) bool { return r.Name == rc.Name })
		if j < 0 {
			fresh, ok := rc.fresh(report)
			if !ok {
				continue
			}
			rules, j = append(rules, fresh), len(rules)
		}
		rules[j] = rc.apply(rules[j], report)
		rules[j].check(report)
		rc.checkTexts(report)
	}
	for i, rc := range c.Rules {
		for k, other := range rc.After {
			if !slices.ContainsFunc(rules, func(r Rule) bool { return r.Name == other }) {
				problem(fmt.Sprintf("rules[%d].after[%d]", i, k), fmt.Sprintf("there is no rule %q", other))
			}
		}
	}
	return slices.DeleteFunc(rules, func(r Rule) bool {
		return slices.ContainsFunc(c.Rules, func(rc RuleConfig) bool { return rc.Mute && rc.Name == r.Name })
	})
}

// ruleName is what may stand in a metric's label and in an id.
var ruleName = regexp.MustCompile(`^[a-z][a-z0-9_]*$`)

// fresh is a rule of the owner's own before its fields are filled.
func (rc RuleConfig) fresh(report func(key, what string)) (Rule, bool) {
	wrong := ""
	switch {
	case !ruleName.MatchString(rc.Name):
		wrong = fmt.Sprintf("%q is not made of a-z, 0-9 and _", rc.Name)
	case rc.Mute:
		wrong = fmt.Sprintf("there is no built-in rule %q to mute", rc.Name)
	case rc.When.Empty() && len(rc.Rungs) == 0:
		wrong = fmt.Sprintf("there is no built-in rule %q; one of your own needs when", rc.Name)
	}
	if wrong != "" {
		report("name", wrong)
		return Rule{}, false
	}
	r := Rule{Name: rc.Name, Summary: strings.ReplaceAll(rc.Name, "_", " ")}
	rungs := rc.Rungs
	if len(rungs) == 0 {
		rungs = []RungConfig{{}}
	}
	for _, g := range rungs {
		r.Rungs = append(r.Rungs, Rung{
			Name: g.Name, Severity: Warning, When: g.When, For: time.Minute,
			Title: `{{site}}: {{subject}}{{with of}} ({{.}}){{end}}`,
			Text:  "At {{site}}{{with of}}, {{.}}{{end}}: {{subject}}, since {{since}}.\nNow: {{values}}.",
		})
	}
	return r, true
}

// apply puts what the configuration gives in the place of what r has.
func (rc RuleConfig) apply(r Rule, report func(key, what string)) Rule {
	put(&r.Summary, rc.Summary)
	put(&r.Each, rc.Each)
	put(&r.Over, rc.Over)
	if !rc.Clear.Empty() {
		r.Clear = rc.Clear
	}
	if rc.ClearFor != nil {
		r.ClearFor = *rc.ClearFor
	}
	if rc.After != nil {
		r.After = rc.After
	}
	if rc.Watch != nil {
		r.Watch = *rc.Watch
	}
	if key := rc.RungFields.given(); key != "" && len(r.Rungs) > 1 {
		report(key, fmt.Sprintf("the rule %s has several rungs (%s): say which one, under rungs", r.Name, r.rungNames()))
		return r
	}
	r.Rungs[0] = rc.RungFields.apply(r.Rungs[0])
	for i, g := range rc.Rungs {
		j := slices.IndexFunc(r.Rungs, func(have Rung) bool { return have.Name == g.Name })
		if j < 0 {
			report(fmt.Sprintf("rungs[%d].name", i), fmt.Sprintf("the rule %s has no rung %q; it has %s", r.Name, g.Name, r.rungNames()))
			continue
		}
		r.Rungs[j] = g.RungFields.apply(r.Rungs[j])
	}
	return r
}

func (r Rule) rungNames() string {
	var names []string
	for _, g := range r.Rungs {
		if g.Name != "" {
			names = append(names, g.Name)
		}
	}
	if names == nil {
		return "only one, without a name"
	}
	return strings.Join(names, ", ")
}

// put replaces a value by one that is given.
func put[T comparable](have *T, given T) {
	var zero T
	if given != zero {
		*have = given
	}
}

func (f RungFields) apply(g Rung) Rung {
	if !f.When.Empty() {
		g.When = f.When
	}
	if f.For != nil {
		g.For = *f.For
	}
	for _, b := range []struct{ have, given *bool }{{&g.PageOnly, f.PageOnly}, {&g.AnyHour, f.AnyHour}, {&g.Escalate, f.Escalate}} {
		if b.given != nil {
			*b.have = *b.given
		}
	}
	if f.EscalateAfter != nil {
		g.Escalate, g.EscalateAfter = true, *f.EscalateAfter
	}
	if f.RemindAfter != nil {
		g.RemindAfter = *f.RemindAfter
	}
	put(&g.Severity, f.Severity)
	put(&g.Title, f.Title)
	put(&g.Text, f.Text)
	if f.Advice != nil {
		g.Advice = f.Advice
	}
	return g
}

// given names the first field of a rung that is there.
func (f RungFields) given() string {
	for _, field := range []struct {
		key string
		is  bool
	}{
		{"when", !f.When.Empty()}, {"for", f.For != nil}, {"severity", f.Severity != ""},
		{"page_only", f.PageOnly != nil}, {"any_hour", f.AnyHour != nil}, {"escalate", f.Escalate != nil},
		{"escalate_after", f.EscalateAfter != nil}, {"remind_after", f.RemindAfter != nil},
		{"title", f.Title != ""}, {"text", f.Text != ""}, {"advice", f.Advice != nil},
	} {
		if field.is {
			return field.key
		}
	}
	return ""
}

// check finds what is wrong with a rule as a whole.
func (r Rule) check(report func(key, what string)) {
	if r.Each == "" {
		for _, name := range r.Names() {
			if strings.HasSuffix(name, "/*") {
				report("name", fmt.Sprintf("%s asks for each, but the rule does not say each: source, peer or channel", name))
			}
		}
	}
	for _, g := range r.Rungs {
		if g.When.Empty() {
			report("name", fmt.Sprintf("the rung %q has no condition: it needs when", g.Name))
		}
	}
}

// checkTexts finds texts that cannot be read.
func (rc RuleConfig) checkTexts(report func(key, what string)) {
	one := func(key, text string) {
		w := words{u: &use{}}
		if _, err := template.New("").Funcs(w.funcs()).Parse(text); err != nil {
			what := "cannot be read: line " + strings.TrimPrefix(err.Error(), "template: :")
			if strings.HasSuffix(what, " not defined") {
				what += "; there are " + strings.Join(slices.Sorted(maps.Keys(Helpers())), ", ")
			}
			report(key, what)
		}
	}
	fields := func(at string, f RungFields) {
		one(at+"title", f.Title)
		one(at+"text", f.Text)
		for i, a := range f.Advice {
			one(fmt.Sprintf("%sadvice[%d]", at, i), a)
		}
	}
	one("over", rc.Over)
	fields("", rc.RungFields)
	for i, g := range rc.Rungs {
		fields(fmt.Sprintf("rungs[%d].", i), g.RungFields)
	}
}
