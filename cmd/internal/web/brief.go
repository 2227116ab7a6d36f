package web

import (
	"fmt"
	"html/template"
	"strings"

	"ebbwatch/cmd/internal/chart"
	"ebbwatch/cmd/internal/facts"
)

// brief is what a folded part of the page says in its heading, and whether it is open because
// something in it is amiss.
type brief struct {
	Text string
	Open bool
}

type briefs struct {
	Outlook, Harvest, Load, Battery, Warmth, Path, Sources, Daemon, Log, Box brief
}

// brief sums up the folded parts: who finds all well need open none of them.
func (v *view) brief() briefs {
	s := v.Snapshot
	fact := facts.Lookup(s)
	say := func(name string, r facts.Row) string {
		if x, known := fact(name); known {
			return r.Text(x)
		}
		return ""
	}
	b := briefs{
		Load:    brief{Text: say("load_watts", facts.Row{Unit: "W", Decimals: 1})},
		Battery: brief{Text: joined(say("battery_volts", facts.Row{Unit: "V", Decimals: 2}), say("battery_amps", facts.Row{Unit: "A", Decimals: 2}))},
		Warmth:  brief{Text: say("battery_celsius", facts.Row{Unit: "°C", Decimals: 1}), Open: v.Cold == "freezing"},
		Daemon:  brief{Text: s.Build.Version},
	}
	if len(v.LogLines) > 0 {
		b.Log.Text = v.LogLines[0].At
	}
	if v.Harvest.Known {
		b.Harvest.Text = v.Harvest.Got
	}
	if s.OutlookKnown() {
		b.Outlook.Text = "reserve: " + s.When(s.Ahead(s.Outlook.Reserve.P10))
	}
	var down, silent []string
	for _, p := range v.PeerViews {
		if p.State == "down" {
			down = append(down, p.Name)
		}
	}
	for _, x := range v.SourceViews {
		if x.Tried && !x.Up {
			silent = append(silent, x.Name)
		}
	}
	b.Path = list(len(v.PeerViews), down, "does not answer", "do not answer")
	b.Sources = list(len(v.SourceViews), silent, "is silent", "are silent")
	for _, o := range s.Offers {
		b.Box.Open = b.Box.Open || o.Trip && o.Before-o.After >= worthOffering
	}
	return b
}

func joined(parts ...string) string {
	var kept []string
	for _, p := range parts {
		if p != "" {
			kept = append(kept, p)
		}
	}
	return strings.Join(kept, ", ")
}

// list says which of n fail, or that none does.
func list(n int, bad []string, one, more string) brief {
	switch {
	case n == 0:
		return brief{Text: "none"}
	case len(bad) == 0:
		return brief{Text: fmt.Sprintf("%d of %d answer", n, n)}
	case len(bad) == 1:
		return brief{bad[0] + " " + one, true}
	}
	return brief{strings.Join(bad, ", ") + " " + more, true}
}

// dayCell is one column of the coming days.
type dayCell struct {
	Name, Sun, Low, LowP10, Dark string
	Class                        string // of the low: below the reserve, or not
	Bar                          template.HTML
}

// dayCells lays out the coming days.
func dayCells(s *facts.Snapshot) []dayCell {
	var cells []dayCell
	days := facts.DaysAhead(s)
	most := 1.0
	for _, d := range days {
		most = max(most, d.SunWh)
	}
	for _, d := range days {
		c := dayCell{Name: strings.Replace(d.Name, "tonight", "to\u00adnight", 1), Sun: "–", Low: fmt.Sprintf("%.0f", 100*d.Low), LowP10: fmt.Sprintf("%.0f", 100*d.LowP10), Dark: shortChance(d.Cutoff)}
		if d.Lit {
			bar := chart.Canvas{Class: "sunbar", W: 30, H: 26}
			bar.Bar("sun", 6, 24, 0, d.SunWh/most)
			c.Sun, c.Bar = fmt.Sprintf("%.0f", d.SunWh), bar.Decoration()
		}
		if d.LowP10 < s.Battery.Reserve {
			c.Class = "near"
		}
		if d.Low < s.Battery.Reserve {
			c.Class = "below"
		}
		cells = append(cells, c)
	}
	return cells
}

// shortChance prints a chance in percent for a narrow column, never as certain.
func shortChance(p float64) string {
	switch {
	case p < 0.01:
		return "<1"
	case p > 0.99:
		return ">99"
	}
	return fmt.Sprintf("%.0f", 100*p)
}

// tie keeps what belongs together on one line: a number and its unit, and the parts of a chance.
func tie(text string) string {
	return strings.NewReplacer("-in-", "\u2011in\u2011", " %", "\u00a0%", " W", "\u00a0W", " A", "\u00a0A", " V", "\u00a0V", " °C", "\u00a0°C", " h ", "\u00a0h ").Replace(text)
}
