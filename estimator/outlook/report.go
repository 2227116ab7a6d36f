package outlook

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// Report is the ledger for people: how good the looks ahead were.
type Report struct {
	Spans      []SpanReport
	Alarms     []AlarmReport
	Outages    int
	LeadMedian float64 // hours between warning at one half and the cut-off, over the last outages; NaN without any
	Years      float64
}

// SpanReport is how good the chances of one span were.
type SpanReport struct {
	Hours  int
	Days   float64    // looks that were scored
	Came   float64    // share of them that came true
	Skill  float64    // Brier skill against that share; NaN when nothing or always the same came
	Looks  [5]float64 // how many looks stated a chance in each fifth
	Stated [5]float64 // mean chance in each fifth; NaN where there was none
	Seen   [5]float64 // share that came in each fifth
}

// AlarmReport is what a threshold of the chance within 120 h would have cried.
type AlarmReport struct {
	Threshold           float64
	TrueYear, FalseYear float64
}

// Report sums the ledger up.
func (l *Ledger) Report() Report {
	out := Report{Outages: l.NLeads, LeadMedian: math.NaN(), Years: l.Years}
	for i, hours := range Withins() {
		out.Spans = append(out.Spans, l.Scores[i].report(hours))
	}
	for k := range l.Watch {
		if w := &l.Watch[k]; l.Years > 0 {
			out.Alarms = append(out.Alarms, AlarmReport{threshold(k), w.True / l.Years, w.False / l.Years})
		}
	}
	if n := min(l.NLeads, len(l.Leads)); n > 0 {
		leads := slices.Sorted(slices.Values(l.Leads[:n]))
		out.LeadMedian = leads[n/2]
	}
	return out
}

func (s Score) report(hours int) SpanReport {
	out := SpanReport{Hours: hours, Days: s.N, Came: s.Came / s.N, Skill: s.Skill()}
	for i := range out.Stated {
		a, b := s.Bins[2*i], s.Bins[2*i+1]
		n := a.N + b.N
		out.Looks[i], out.Stated[i], out.Seen[i] = n, (a.P+b.P)/n, (a.Came+b.Came)/n
	}
	return out
}

// fewest is how many looks a fifth needs before it is worth telling.
const fewest = 4

// Words tells the owner how good the chances of going dark within three days were, fifth by
// fifth from the likeliest: "of 41 at about 70 %, 28 came true". Empty before anything that
// is worth telling was scored.
func (r Report) Words() string {
	const threeDays = 2
	if len(r.Spans) <= threeDays || r.Spans[threeDays].Days < 1 {
		return ""
	}
	x := r.Spans[threeDays]
	var told []string
	quiet, dark := 0.0, 0.0
	for i := len(x.Looks) - 1; i >= 0; i-- {
		came := math.Round(x.Looks[i] * x.Seen[i])
		switch {
		case i == 0:
			quiet, dark = x.Looks[0], max(0, came)
		case x.Looks[i] >= fewest:
			told = append(told, fmt.Sprintf("of %.0f at about %.0f %%, %.0f came true", x.Looks[i], 100*x.Stated[i], came))
		}
	}
	if quiet > 0 {
		told = append(told, fmt.Sprintf("%s of %.0f that said unlikely", none(dark), quiet))
	}
	return fmt.Sprintf("Forecasts of going dark within 3 days: %s (one a day, %.0f so far).", strings.Join(told, "; "), x.Days)
}

func none(x float64) string {
	if x == 0 {
		return "none"
	}
	return fmt.Sprintf("%.0f", x)
}
