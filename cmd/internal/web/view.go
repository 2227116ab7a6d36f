package web

import (
	"fmt"
	"html/template"
	"math"
	"slices"
	"strings"
	"time"

	"ebbwatch/cmd/internal/chart"
	"ebbwatch/cmd/internal/facts"
)

// view is the page in words and numbers, ready for the template, which decides nothing.
type view struct {
	*facts.Snapshot
	facts.Headline
	AtText       string
	AtISO        string
	Charts       []template.HTML
	Days         []dayCell
	FedNow       bool // the load is on, so that a chance of going dark says something
	Briefs       briefs
	OutlookRows  []outlookRow
	OutlookNotes []string
	OfferRows    []offerRow
	Harvest      harvest
	Battery      group
	Solar        group
	Load         group
	Daemon       group
	Thermo       *thermo
	Cold         string
	Alarms       []alarmView
	SourceViews  []sourceView
	PeerViews    []peerView
	LogLines     []logView
}

// group is a list of facts with what they share.
type group struct {
	Lines []facts.Line
	Note  string
}

type alarmView struct {
	facts.Alarm
	Word, Ago string
	State     string // that it was seen, or is muted
}

type sourceView struct {
	facts.Source
	State, AgeText, EveryText, TookText, ErrText string
}

type peerView struct {
	Name, State, Word, Detail string
}

type logView struct{ ISO, At, Text string }

type outlookRow struct{ What, Reserve, Cutoff string }

// harvest compares what the panel gave today with what the sky allowed.
type harvest struct {
	Known      bool
	Got, Could string
	Sky        string // clear or this
	ShareText  string
	Bar        template.HTML
	Held       string // how long the charger held back, if it did
}

func newView(s *facts.Snapshot, past []Point) view {
	v := view{Snapshot: s, Headline: facts.HeadlineOf(s)}
	at := s.Local(s.At.Wall)
	v.AtText, v.AtISO = at.Format("Mon 2 Jan 15:04:05"), at.Format(time.RFC3339)
	v.Charts = chartsOf(s, past)
	v.Days, v.FedNow = dayCells(s), !s.Outlook.Dark
	v.OutlookRows, v.OutlookNotes = outlookRows(s)
	v.OfferRows = offerRows(s)
	v.Harvest = newHarvest(s)
	v.Battery, v.Solar = newGroup(s, facts.GroupBattery), newGroup(s, facts.GroupSolar)
	v.Load, v.Daemon = newGroup(s, facts.GroupLoad), newGroup(s, facts.GroupDaemon)
	v.Thermo = newThermo(s)
	v.Cold = coldWord(s)
	v.parts(s)
	v.Briefs = v.brief()
	return v
}

// newGroup says once what most readings of a group share, their source and age, and leaves
// it beside those that differ.
func newGroup(s *facts.Snapshot, name facts.Group) group {
	g := group{}
	count := map[string]int{}
	note := func(l facts.Line) string { return "Readings of " + l.Source + ", " + facts.Span(l.Age) + " old" }
	for _, l := range facts.Lines(s, name) {
		if strings.HasSuffix(l.Fact, "_today_joules") && name == facts.GroupSolar {
			continue // told above the list
		}
		g.Lines = append(g.Lines, l)
		if l.Age >= 0 {
			count[note(l)]++
			if count[note(l)] > max(1, count[g.Note]) {
				g.Note = note(l)
			}
		}
	}
	for i, l := range g.Lines {
		if l.Age >= 0 && note(l) == g.Note {
			g.Lines[i].Age = -1
		}
	}
	return g
}

// parts lists alarms, sources, peers and the log.
func (v *view) parts(s *facts.Snapshot) {
	for _, a := range s.Alarms {
		word := map[string]string{"critical": "Critical", "warning": "Warning", "info": "Note"}[a.Severity]
		v.Alarms = append(v.Alarms, alarmView{a, word, facts.Span(max(0, s.At.Wall.Sub(a.Since))), facts.Handled(a.Acknowledged, a.MutedUntil)})
	}
	for _, x := range s.Sources {
		v.SourceViews = append(v.SourceViews, viewSource(x))
	}
	for _, p := range s.Peers {
		v.PeerViews = append(v.PeerViews, viewPeer(p))
	}
	for _, l := range slices.Backward(s.Log) {
		at := s.Local(l.At)
		v.LogLines = append(v.LogLines, logView{at.Format(time.RFC3339), at.Format("Mon 15:04:05"), l.Text})
		if len(v.LogLines) == 12 {
			break
		}
	}
}

func viewSource(x facts.Source) sourceView {
	v := sourceView{Source: x, State: "silent", AgeText: "never", EveryText: facts.Span(x.Every), TookText: "–", ErrText: x.Err}
	if x.Age >= 0 {
		v.AgeText = facts.Span(x.Age)
	}
	switch {
	case !x.Tried:
		v.State = "not asked yet"
	case x.Up:
		v.State = "answers"
	}
	if x.Tried {
		v.TookText = fmt.Sprintf("%d ms", x.Took.Milliseconds())
	}
	return v
}

func viewPeer(p facts.Peer) peerView {
	switch {
	case !p.Known:
		return peerView{p.Name, "unknown", "not known yet", ""}
	case !p.Up:
		return peerView{p.Name, "down", "does not answer", "asked " + facts.Span(p.Age) + " ago"}
	}
	detail := ""
	if !math.IsNaN(p.RTTSeconds) {
		detail = fmt.Sprintf("%.1f ms", 1000*p.RTTSeconds)
	}
	if !math.IsNaN(p.LossRatio) {
		detail += fmt.Sprintf(", %.0f %% lost", 100*p.LossRatio)
	}
	return peerView{p.Name, "up", "answers", detail}
}

func outlookRows(s *facts.Snapshot) ([]outlookRow, []string) {
	if !s.OutlookKnown() {
		return nil, nil
	}
	r, c := s.Outlook.Reserve, s.Outlook.Cutoff
	rows := []outlookRow{
		{"One chance in ten: before", s.When(s.Ahead(r.P10)), s.When(s.Ahead(c.P10))},
		{"Even chance: before", s.When(s.Ahead(r.P50)), s.When(s.Ahead(c.P50))},
		{"Nine in ten: before", s.When(s.Ahead(r.P90)), s.When(s.Ahead(c.P90))},
	}
	for i, days := range [5]int{1, 2, 3, 5, 7} {
		what := fmt.Sprintf("Chance within %d days", days)
		if days == 1 {
			what = "Chance within a day"
		}
		rows = append(rows, outlookRow{what, chance(r.Within[i]), chance(c.Within[i])})
	}
	var notes []string
	if x := s.Outlook.DarkHours; x >= 0.5 {
		notes = append(notes, fmt.Sprintf("On average %.0f of the hours of the next ten days would be dark.", x))
	}
	if x := s.Outlook.BackHours; !math.IsNaN(x) {
		notes = append(notes, fmt.Sprintf("After a cut-off the load is usually back within %s.", span(math.Ceil(s.Ahead(x)))))
	}
	if x := s.Outlook.NoSunHours; !math.IsNaN(x) {
		notes = append(notes, fmt.Sprintf("Without any sun at all: %s to the cut-off.", span(s.Ahead(x))))
	}
	if s.Ledger != "" {
		notes = append(notes, s.Ledger)
	}
	return rows, notes
}

// span says hours the way people do.
func span(hours float64) string { return facts.Span(time.Duration(hours * float64(time.Hour))) }

// chance prints a chance without claiming certainty that a finite number of futures cannot
// give.
func chance(p float64) string {
	switch {
	case math.IsNaN(p):
		return "–"
	case p < 0.01:
		return "under 1 %"
	case p > 0.99:
		return "over 99 %"
	}
	return fmt.Sprintf("%.0f %%", 100*p)
}

func newHarvest(s *facts.Snapshot) harvest {
	got, known := s.Extra["harvest_today_joules"]
	could, sky := s.Extra["harvest_sky_today_joules"], "This sky should have given"
	if could == 0 {
		could, sky = s.Extra["harvest_clear_today_joules"], "A clear sky would have given"
	}
	if !known {
		return harvest{}
	}
	h := harvest{Known: true, Got: fmt.Sprintf("%.0f Wh", got/3600)}
	if could > 3600 { // before the sun is up there is nothing to compare
		h.Could, h.Sky, h.ShareText = fmt.Sprintf("%.0f Wh", could/3600), sky, fmt.Sprintf("%.0f %%", 100*got/could)
		c := chart.Canvas{Class: "bar", W: 302, H: 22}
		c.Rect("bar-all", 1, 1, 300, 20)
		c.Rect("bar-got", 1, 1, 300*min(got/could, 1), 20)
		h.Bar = c.SVG(h.ShareText + " of what it could have been")
	}
	if held := s.Extra["harvest_held_today_seconds"] / 3600; held > 0.25 {
		h.Held = fmt.Sprintf("For %s the battery was full, or took less than the panel could give.", span(held))
	}
	return h
}

// coldWord says what the battery's temperature means for charging it.
func coldWord(s *facts.Snapshot) string {
	for _, w := range facts.Warmths(s) {
		if w.Of != "Battery" {
			continue
		}
		switch {
		case w.Celsius < 0:
			return "freezing"
		case w.Celsius < 3:
			return "near"
		default:
			return "warm"
		}
	}
	return "unknown"
}
