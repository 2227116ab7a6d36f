package planning

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"ebbwatch/estimator/plan"
	"ebbwatch/estimator/plan/radio"
	"ebbwatch/estimator/sun"
)

// Text writes the plan for a terminal.
func (r *Report) Text(w io.Writer) error {
	t := &text{w: tabwriter.NewWriter(w, 0, 4, 2, ' ', tabwriter.AlignRight)}
	t.verdict(r)
	t.months(r)
	t.measured(r)
	if len(r.Swings) > 0 {
		t.effects(r)
		t.aims(r)
		t.sizes(r)
		t.swings(r)
	}
	t.drawn(r)
	t.list("What this rests on", nil)
	for _, a := range r.Assumed {
		t.line("  %s: %s (%s)", a.What, a.Value, a.Source)
	}
	t.list("Before you touch anything", r.Cautions)
	t.flush()
	if t.err != nil {
		return fmt.Errorf("cannot print the plan: %w", t.err)
	}
	return nil
}

// text keeps the first error. Rows with tabs are aligned until the next flush.
type text struct {
	w   *tabwriter.Writer
	err error
}

func (t *text) line(format string, args ...any) {
	if t.err == nil {
		_, t.err = fmt.Fprintf(t.w, format+"\n", args...)
	}
}

func (t *text) flush() {
	if err := t.w.Flush(); t.err == nil {
		t.err = err
	}
}

func (t *text) head(s string) {
	t.flush()
	t.line("")
	t.line("%s", strings.ToUpper(s))
}

func (t *text) list(head string, lines []string) {
	t.head(head)
	for _, l := range lines {
		t.line("  %s", l)
	}
	t.flush()
}

func upper(s string) string { return strings.ToUpper(s[:1]) + s[1:] }

func (t *text) verdict(r *Report) {
	t.line("%s.", upper(r.Verdict))
	if r.Mend != "" {
		t.line("%s", r.Mend)
	}
	for _, a := range r.Answers() {
		t.line("%s", a)
	}
	t.line("")
	t.line("%s: %s; %s", r.Site, r.Panel, r.Battery)
	o := r.Outcome
	t.line("Dark %s of the year (± %s, from %d imagined years), %.1f nights a year; one year in ten has %.0f or more.", Percent(o.LLP), Percent(o.LLPError), o.Years, o.NightMean, o.Nights.P90)
	t.line("%s", r.second())
	t.line("Longest dark spell: %.0f h in a usual year, %.0f h in one of ten.", o.Longest.P50, o.Longest.P90)
	switch {
	case r.Lit == "":
		t.line("In 9 of 10 years nothing fails at all.")
	case r.Fails == "":
		t.line("In 9 of 10 years nothing fails before %s.", r.Lit)
	default:
		t.line("In 9 of 10 years nothing fails before %s, and it has failed by %s.", r.Lit, r.Fails)
	}
	if r.Learned != "" {
		t.line("%s", r.Learned)
	}
	for _, n := range r.Notes {
		t.line("! %s", n)
	}
}

func (t *text) months(r *Report) {
	t.head("The months")
	t.line("\tsun kWh/m²\ton panel\tpanel gives Wh\tload Wh\tdark h\tin a bad year\tyears with dark hours\t")
	for _, m := range r.view().Months {
		x := r.Outcome.Months[m]
		t.line("%s\t%.1f\t%.1f\t%.0f\t%.0f\t%.1f\t%.0f\t%s\t", time.Month(m + 1).String()[:3], x.Sun, x.Plane, x.Possible, x.Load, x.DarkMean, x.Dark.P90, Percent(x.DarkWinter))
	}
	y := r.Outcome.Yields
	t.flush()
	t.line("Sun, panel and load are means of a day; dark hours are of the whole month; a bad year is one in ten.")
	t.line("Yields (IEC 61724, h a day): reference %.2f, array %.2f, final %.2f; performance ratio %.2f", y.Reference, y.Array, y.Final, y.Performance)
}

func (t *text) measured(r *Report) {
	if r.Measured == nil {
		return
	}
	t.head("Through measured years")
	for _, y := range r.Measured.Years {
		if y.First == "" {
			t.line("  %s\tstays lit\t\t\t", y.Name)
			continue
		}
		t.line("  %s\tdark %s\t%d nights\tlongest %d h\tfirst %s\t", y.Name, Percent(y.LLP), y.Nights, y.Longest, y.First)
	}
	t.flush()
	t.line("Over %d measured years %s of the load is lost; over the imagined ones %s.", r.Measured.Outcome.Years, Percent(r.Measured.Outcome.LLP), Percent(r.Outcome.LLP))
}

func (t *text) effects(r *Report) {
	t.head("What a change does")
	row := func(e plan.Effect, mark string) {
		t.line("%s\t%.1f nights\tcarries %.1f W\t%s  %s", Percent(e.LLP), e.Nights, e.Carried, mark, e.Name)
	}
	mends := false
	row(plan.Effect{Name: "as it is", LLP: r.Outcome.LLP, Nights: r.Outcome.NightMean, Carried: r.Carried}, " ")
	for _, e := range r.Effects {
		mark := " "
		if e.Mends {
			mark, mends = "*", true
		}
		row(e, mark)
	}
	t.flush()
	if mends {
		t.line("* reaches the target of %s dark", Percent(r.Target))
	} else {
		t.line("None of these alone reaches the target of %s dark.", Percent(r.Target))
	}
}

// aims is a table of the dark share: rows are tilts, columns directions.
func (t *text) aims(r *Report) {
	t.head("Where the panel looks: dark share of the year")
	columns := plan.Directions
	head := "\t"
	for _, a := range r.Aims[:columns] {
		head += sun.Compass(a.AzimuthDeg) + "\t"
	}
	t.line("%s", head)
	for row := range slices.Chunk(r.Aims, columns) {
		line := fmt.Sprintf("%.0f°\t", row[0].TiltDeg)
		for _, a := range row {
			line += Percent(a.LLP) + "\t"
		}
		t.line("%s", line)
	}
	t.flush()
	t.line("%s", r.aimed())
}

func (t *text) sizes(r *Report) {
	t.head("Sizes that reach the target")
	for _, p := range r.Frontier {
		mark := ""
		if p.Best {
			mark = "  <- this one"
		}
		price := ""
		if p.Cost > 0 {
			price = fmt.Sprintf("%.0f %s", p.Cost, r.Currency)
		}
		t.line("%.0f W\t%.0f Ah\t%s\t  %s%s\t", p.Watts, p.Ah, Percent(p.LLP), price, mark)
	}
	if len(r.Frontier) == 0 {
		t.line("  none up to eleven times the panel")
	}
	t.flush()
}

func (t *text) swings(r *Report) {
	t.head("What would change the verdict most")
	for _, s := range r.Swings {
		t.line("%.0f\tto %.0f dark hours a year\t  %s: %s, %s", s.AtLow, s.AtHigh, s.Name, s.Low, s.High)
	}
	t.flush()
}

// drawn is what needs no weather.
func (t *text) drawn(r *Report) {
	if len(r.Loads) > 0 {
		t.head("Loads")
		for _, l := range r.Loads {
			t.line("%.1f W\t%.1f W at the battery\tmean %.1f W\t  %s %s", l.Device, l.Battery, l.Mean, l.Name, strings.Join(l.Reminders, "; "))
		}
		t.flush()
	}
	if r.Pair != nil {
		t.list("Or no sun at all: a buried pair", []string{r.Pair.Says})
	}
	if r.Wiring != nil {
		t.wiring(r.Wiring)
	}
	if r.Radio != nil {
		t.radio(r.Radio)
	}
	t.list("Parts", r.Parts)
}

func (t *text) wiring(w *WiringReport) {
	t.head("Cables")
	for _, x := range w.Runs {
		t.flush()
		t.line("  %s, %.3g m of %s: %.1f A at worst, %.2f V (%s), %.1f W lost; take %s; fuse %s", x.Name, x.Meters, x.Size, x.Amps, x.DropVolts, Percent(x.Share), x.LossWatts, x.Want, x.Fuse)
		for _, p := range x.Problems {
			t.line("    ! %s", p)
		}
	}
	t.head("What switches off, as the battery sinks")
	for _, s := range w.Steps {
		t.line("  %.4g V: %s", s.Volts, s.Name)
	}
	for _, p := range w.Ladder {
		t.line("  ! %s", p)
	}
	if len(w.Ladder) == 0 {
		t.line("  in order and far enough apart")
	}
}

func (t *text) radio(r *RadioReport) {
	v := r.Verdict
	t.head(fmt.Sprintf("Radio: %s to %s", r.From, r.To))
	t.line("  %.0f m at %.0f MHz: free space %.1f dB, ridge %.1f dB, %.0f m of trees: %.1f dB in leaf, %.1f dB bare", v.Meters, r.MHz, v.FreeSpace, v.Diffracted, v.TreeDepth, v.Summer.Trees, v.Winter.Trees)
	t.line("  first Fresnel zone clear of the ground: %s, at %.0f m%s", clearance(v), v.ClearAt, overCrowns(v))
	if v.Gases+v.Rain >= 0.5 {
		t.line("  the air takes %.1f dB; a shower of %.0f mm/h takes %.1f dB more", v.Gases, radio.Shower, v.Rain)
	}
	t.line("  signal %.0f dBm in leaf, %.0f dBm bare; to spare %.0f and %.0f dB, for fading; radiated %.0f and %.0f dBm", v.Summer.Signal, v.Winter.Signal, v.Summer.Margin, v.Winter.Margin, v.EIRP[0], v.EIRP[1])
	for _, p := range v.Problems {
		t.line("  ! %s", p)
	}
	for _, p := range r.Reminders {
		t.line("  %s", p)
	}
}
