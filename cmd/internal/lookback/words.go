package lookback

import (
	"fmt"
	"math"
	"strings"
	"time"

	"ebbwatch/alert/cause"
	"ebbwatch/estimator/sun"
)

// wh prints an energy as people say it.
func wh(x float64) string {
	switch {
	case math.IsNaN(x):
		return "not known"
	case math.Abs(x) >= 10000:
		return minus(fmt.Sprintf("%.1f kWh", x/1000))
	}
	return minus(fmt.Sprintf("%.0f Wh", x))
}

// minus prints a true minus, and none before a zero.
func minus(s string) string {
	if strings.HasPrefix(s, "-0 ") {
		return s[1:]
	}
	return strings.Replace(s, "-", "−", 1)
}

func percent(x float64) string {
	if math.IsNaN(x) {
		return "–"
	}
	return fmt.Sprintf("%.0f %%", 100*x)
}

func number(format string, x float64) string {
	if math.IsNaN(x) {
		return "–"
	}
	return minus(fmt.Sprintf(format, x))
}

// span prints a duration in the two units that matter.
func span(d time.Duration) string {
	switch {
	case d < time.Hour:
		return fmt.Sprintf("%d min", int(d.Minutes()+0.5))
	case d < 48*time.Hour:
		return fmt.Sprintf("%.1f h", d.Hours())
	}
	return fmt.Sprintf("%.1f days", d.Hours()/24)
}

func (r Report) when(t time.Time) string { return t.In(r.Zone).Format("Mon 2 Jan 15:04") }

func (r Report) date(t time.Time) string { return t.In(r.Zone).Format("Mon 2 Jan 2006") }

func (r Report) spell(s Spell) string {
	return fmt.Sprintf("%s to %s, %s", r.when(s.From), r.when(s.To), span(s.Length()))
}

// section is a part of the report: sentences, then a table if there is one.
type section struct {
	ID, Title string
	Says      []string
	Head      []string
	Rows      [][]string
	Chart     string // names a picture: days, missing
}

// summary is the report in a few sentences.
func (r Report) summary() []string {
	var says []string
	if r.Covered == 0 {
		return []string{"There is no record of this time."}
	}
	var off time.Duration
	for _, d := range r.Dark {
		off += d.Length()
	}
	switch {
	case len(r.Dark) == 1:
		says = append(says, "The node was dark once: "+r.spell(r.Dark[0])+".")
	case len(r.Dark) > 1:
		says = append(says, fmt.Sprintf("The node was dark %d times, %s in all.", len(r.Dark), span(off)))
	case !r.Metered:
		says = append(says, "Whether the load was off is not known: nothing measured it.")
	case len(r.Unknown) == 0 && r.Covered >= 0.995:
		says = append(says, "The load was never off.")
	case len(r.Unknown) == 0:
		says = append(says, "The load was never off while the record ran.")
	}
	if n := len(r.Unknown); n > 0 {
		var all time.Duration
		for _, u := range r.Unknown {
			all += u.Length()
		}
		says = append(says, fmt.Sprintf("For %s (%d times) nothing is recorded, and whether the load was off then is not known.", span(all), n))
	}
	if r.Covered < 0.995 {
		says = append(says, fmt.Sprintf("The record knows %s of this time.", percent(r.Covered)))
	}
	if r.Harvest.Clear > 0 {
		says = append(says, fmt.Sprintf("The panel gave %s; a clear sky would have given %s by the label.", wh(r.Harvest.Got), wh(r.Harvest.Clear)))
	}
	if !math.IsNaN(r.Ledger.Load) {
		says = append(says, fmt.Sprintf("The load took %s.", wh(r.Ledger.Load)))
	}
	if len(r.Worst) > 0 {
		says = append(says, fmt.Sprintf("The lowest charge was %s, on %s.", percent(r.Worst[0].SoCLeast), r.when(r.Worst[0].LeastAt)))
	}
	if r.Creep != nil {
		says = append(says, fmt.Sprintf("The load changed for good about %s: from %.1f W to %.1f W.", r.date(r.Creep.Since), r.Creep.Before, r.Creep.After))
	}
	return says
}

// sections are the parts of the report, those without anything to say left out.
func (r Report) sections() []section {
	var out []section
	for _, s := range []section{r.silenceSection(), r.ledgerSection(), r.harvestSection(), r.daysSection(), r.loadSection(), r.peerSection(), r.warningSection()} {
		if len(s.Says)+len(s.Rows) > 0 {
			out = append(out, s)
		}
	}
	return out
}

func (r Report) ledgerSection() section {
	l := r.Ledger
	s := section{ID: "ledger", Title: "Where the energy came from and went", Head: []string{"What", "Energy", "How it is known"}}
	for _, row := range []struct {
		what, how string
		x         float64
	}{
		{"From the panel", "measured", l.Panel},
		{"To the load", "measured", l.Load},
		{"Out of the battery past the meters", "believed, from the battery's balance", l.Unmetered},
		{"Lost in the controller", "panel less charging power", l.Converter},
		{"Into the battery", "measured", l.Into},
		{"Out of the battery", "measured", l.From},
		{"More in the battery at the end", "believed charge", l.Stored},
		{"Lost in the battery", "in, less out, past the meters and stored", l.Kept},
		{"Unaccounted", "what is left: meters that disagree end up here", l.Unaccounted},
	} {
		if !math.IsNaN(row.x) {
			s.Rows = append(s.Rows, []string{row.what, wh(row.x), row.how})
		}
	}
	if math.Abs(l.Unaccounted) > 0.1*math.Abs(l.Panel) {
		s.Says = append(s.Says, "More than a tenth of the harvest is unaccounted for: a meter is off, or something draws that no meter sees.")
	}
	return s
}

func (r Report) harvestSection() section {
	h := r.Harvest
	s := section{ID: "harvest", Title: "What is missing of the harvest, and why", Chart: "missing"}
	if h.Clear == 0 {
		return s
	}
	s.Says = append(s.Says, fmt.Sprintf("Under a clear sky this panel gives %s of its label%s.", percent(h.Ratio),
		map[bool]string{true: ", taken as usual since too few clear moments were seen", false: ", learned from the best moments"}[h.Assumed]))
	could := h.Clear * h.Ratio
	s.Head = []string{"Cause", "Missing", "Share of a clear sky's harvest"}
	for _, c := range Causes() {
		if x := h.Missing[c]; x > 0.001*could {
			s.Rows = append(s.Rows, []string{string(c), wh(x), percent(x / could)})
		}
	}
	for _, b := range h.Shaded {
		s.Says = append(s.Says, fmt.Sprintf("With the sun between %.0f° and %.0f° (%s) about %s is missing even under a clear sky: something casts a shadow from there.",
			b.From, b.To, sun.Compass((b.From+b.To)/2), percent(b.Loss)))
	}
	if h.Decline > 0 {
		s.Says = append(s.Says, fmt.Sprintf("The best moments of clear days fell by %s over this time: dirt, ageing or a loose wire. Look before you climb, and not in ice or wind.", percent(h.Decline)))
	}
	if h.Missing[Cold] > 0 {
		s.Says = append(s.Says, "Charging stopped in the cold. That protects the cells: LiFePO4 must not be charged below 0 °C.")
	}
	return s
}

func (r Report) daysSection() section {
	s := section{ID: "days", Title: "The days", Chart: "days", Head: []string{"Day", "Harvest", "Clear sky", "Lowest charge", "Lowest voltage", "Load"}}
	for _, d := range r.Days {
		note := ""
		switch {
		case d.Covered == 0:
			note = ", no record"
		case d.Snowy:
			note = ", snow likely"
		}
		if d.Covered == 0 {
			s.Rows = append(s.Rows, []string{r.date(d.Date) + note, "–", "–", "–", "–", "–"})
			continue
		}
		got, clear := "–", "–" // where no light was measured the sums are not known
		if d.Clear > 0 {
			got, clear = wh(d.Got), wh(d.Clear)
		}
		s.Rows = append(s.Rows, []string{r.date(d.Date) + note, got, clear, percent(d.SoCLeast), number("%.2f V", d.VoltsLeast), number("%.1f W", d.LoadWatts)})
	}
	var low []string
	for _, d := range r.Worst {
		low = append(low, fmt.Sprintf("%s (%s)", r.when(d.LeastAt), percent(d.SoCLeast)))
	}
	if len(low) > 0 {
		s.Says = append(s.Says, "The lowest moments: "+strings.Join(low, ", ")+".")
	}
	return s
}

func (r Report) loadSection() section {
	s := section{ID: "load", Title: "Load and battery"}
	if c := r.Creep; c != nil {
		s.Says = append(s.Says, fmt.Sprintf("Since about %s the load is %.1f W on average; before it was %.1f W (%s). What was added or changed then?",
			r.date(c.Since), c.After, c.Before, number("%+.0f %%", 100*(c.After/c.Before-1))))
	}
	if !math.IsNaN(r.Health) && r.Health > 0 {
		s.Says = append(s.Says, fmt.Sprintf("The battery holds about %s of what its label says.", percent(r.Health)))
	}
	return s
}

func (r Report) peerSection() section {
	s := section{ID: "path", Title: "The path", Head: []string{"Peer", "Answered", "Probes lost", "Round trip", "Longest silence"}}
	for _, p := range r.Peers {
		longest := "none"
		if p.Longest > 0 {
			longest = span(p.Longest)
		}
		s.Rows = append(s.Rows, []string{p.Name, number("%.1f %%", 100*p.Up), number("%.1f %%", 100*p.Loss), number("%.1f ms", 1000*p.RTTSeconds), longest})
	}
	return s
}

func (r Report) warningSection() section {
	s := section{ID: "warnings", Title: "The warnings, and how they did"}
	if r.Record != "" {
		s.Says = append(s.Says, r.Record)
	}
	if !r.Judged {
		return s
	}
	right := 0
	for _, w := range r.Warnings {
		came := "it did not go dark; cleared " + r.when(w.Cleared)
		switch {
		case !w.Came.IsZero():
			right++
			came = fmt.Sprintf("it went dark %s later", span(w.Lead))
		case w.Open:
			came = "it still stands"
		}
		s.Head = []string{"Raised", "What it said", "What came"}
		s.Rows = append(s.Rows, []string{r.when(w.Raised), w.Title, came})
	}
	s.Says = append(s.Says, fmt.Sprintf("Warnings of a cut-off ahead: %d, of which %d came true; cut-offs without one: %d.", len(r.Warnings), right, len(r.Unwarned)))
	return s
}

// silenceSection leads: a look back is first of all about when the node was silent.
func (r Report) silenceSection() section {
	s := section{ID: "silences", Title: "When it was silent, and why",
		Head: []string{"From", "For", "How it shows", "Dark", "Put down to", "Said a day before", "Warned"}}
	for i, x := range r.Silences {
		if i == 20 {
			s.Says = append(s.Says, fmt.Sprintf("… and %d more times.", len(r.Silences)-i))
			break
		}
		s.Rows = append(s.Rows, r.silenceRow(x))
	}
	if len(s.Rows) > 0 {
		s.Says = append(s.Says, "With --why each is weighed: what speaks for and against every cause, and what would tell.")
	}
	return s
}

func (r Report) silenceRow(x Silence) []string {
	length := span(x.Length(r.To))
	if x.End.IsZero() {
		length += " so far"
	}
	put := string(x.Verdict.Cause)
	if top := x.Verdict.Ladder[0]; x.Verdict.Cause == cause.CannotTell {
		put += fmt.Sprintf("; first %s", top.Cause)
	} else {
		put += ", " + percent(top.Chance)
	}
	said := "not recorded"
	if !math.IsNaN(x.Said) {
		said = percent(x.Said) + " within 3 days"
	}
	warned := "–"
	switch {
	case x.Dark != cause.Yes:
	case !x.Warned.IsZero():
		warned = span(x.Start.Sub(x.Warned)) + " before"
	case r.Judged:
		warned = "no"
	default:
		warned = "not kept"
	}
	dark := map[cause.Truth]string{cause.Unknown: "not known", cause.Yes: "yes", cause.No: "no"}[x.Dark]
	return []string{r.when(x.Start), length, x.How(), dark, put, said, warned}
}
