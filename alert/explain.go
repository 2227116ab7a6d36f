package alert

import (
	"fmt"
	"strings"
)

// Explain says in one sentence what a rule does and how it stands now, for one instance of
// it or, for a rule without instances, for an empty one.
func (e Engine) Explain(r Rule, instance string, get Lookup) string {
	get = e.facts(&State{}, get)
	if instance != "" {
		get = get.ForInstance(instance)
	}
	var b strings.Builder
	b.WriteString(r.Name)
	if instance != "" {
		fmt.Fprintf(&b, " (%s)", instance)
	}
	fmt.Fprintf(&b, " warns that %s: ", r.Summary)
	for i, g := range r.Rungs {
		if i > 0 {
			b.WriteString("; ")
		}
		if g.Name != "" {
			b.WriteString(g.Name + ", ")
		}
		fmt.Fprintf(&b, "%s, when %s%s, now %s", g.Severity, g.When, dwellWords(g.For.Hours()), g.When.Eval(get))
	}
	clear := r.Clear.String()
	if r.Clear.Empty() {
		clear = "that is no longer so"
	}
	fmt.Fprintf(&b, "; over when %s%s", clear, dwellWords(r.ClearFor.Hours()))
	if len(r.After) > 0 {
		fmt.Fprintf(&b, "; held back by %s", strings.Join(r.After, ", "))
	}
	fmt.Fprintf(&b, ". Now %s.", values(r, instance, get))
	return b.String()
}

func dwellWords(hours float64) string {
	if hours == 0 {
		return ""
	}
	return " for " + span(duration(hours, 3600e9))
}

// Explained is a rule as it stands: in a few words, and as a whole.
type Explained struct{ Rule, Of, Short, Text string }

// short says how a rule stands: the gravest rung that holds, no, or which facts it lacks.
func (e Engine) short(r Rule, instance string, get Lookup) string {
	get = e.facts(&State{}, get)
	if instance != "" {
		get = get.ForInstance(instance)
	}
	said := "no"
	for _, g := range r.Rungs {
		switch g.When.Eval(get) {
		case True:
			said = strings.TrimSpace(fmt.Sprintf("yes, %s %s", g.Severity, g.Name))
		case Unknown:
			var lacks []string
			for _, n := range g.When.Names() {
				if _, known := get(n.Fact); !known {
					lacks = append(lacks, strings.Replace(n.Fact, "/*", "/"+instance, 1))
				}
			}
			if said == "no" {
				said = "not known: " + strings.Join(lacks, ", ")
			}
		}
	}
	return said
}

// ExplainAll explains every rule, and every instance of those for each source or peer.
func (e Engine) ExplainAll(get Lookup) []Explained {
	var all []Explained
	for _, r := range e.Rules {
		for _, instance := range e.instances(r) {
			all = append(all, Explained{r.Name, instance, e.short(r, instance, get), e.Explain(r, instance, get)})
		}
	}
	return all
}

// values lists the facts that the conditions of a rule ask for: "battery_celsius -3,
// charge_amps not known".
func values(r Rule, instance string, get Lookup) string {
	var list []string
	for _, name := range r.Names() {
		said := "not known"
		if x, known := get(name); known && finite(x) {
			said = fmt.Sprintf("%.4g", x)
		}
		name = strings.Replace(name, "/*", "/"+instance, 1)
		list = append(list, name+" "+said)
	}
	return strings.Join(list, ", ")
}
