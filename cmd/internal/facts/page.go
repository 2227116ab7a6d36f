package facts

import (
	"math"
	"strings"
	"time"

	"ebbwatch/collector/reading"
)

// Line is one fact as the page shows it.
type Line struct {
	Fact    string
	Label   string
	Text    string
	Age     time.Duration // negative where the fact is not a reading
	Source  string
	Suspect string // why the value is doubted; it is shown struck then
}

// Lines are the known facts of the whole site in one group, in the order of the table.
// The windows of the outlook are shown in a table of their own.
func Lines(s *Snapshot, g Group) []Line {
	var lines []Line
	for _, r := range Table() {
		if r.Group != g || r.Fact == "" || len(r.Labels) > 0 || len(r.Fixed) > 0 {
			continue
		}
		var m Measured
		if q, ok := reading.ParseQuantity(r.Fact); ok {
			m = s.Reading[q]
		}
		if m.Known && m.Suspect != "" {
			lines = append(lines, Line{Fact: r.Fact, Label: r.Label, Text: r.Text(m.X), Age: m.Age, Source: m.Source, Suspect: m.Suspect})
		}
		r.Each(s, func(x float64, _ ...string) {
			l := Line{Fact: r.Fact, Label: r.Label, Text: r.Text(x), Age: -1}
			if m.Usable() {
				l.Age, l.Source = m.Age, m.Source
			}
			lines = append(lines, l)
		})
	}
	return lines
}

// Warmth is one temperature.
type Warmth struct {
	Of      string
	Celsius float64
}

// Warmths are the known temperatures.
func Warmths(s *Snapshot) []Warmth {
	var ws []Warmth
	for _, r := range warmthRows() {
		r.Each(s, func(x float64, _ ...string) { ws = append(ws, Warmth{r.Label, x}) })
	}
	return ws
}

// When names a moment some hours ahead for people, or says that it is out of sight.
func (s *Snapshot) When(hours float64) string {
	switch {
	case math.IsNaN(hours) || math.IsInf(hours, 1):
		return "not within ten days"
	case hours < 1:
		return "now"
	case !s.At.Trusted:
		return "in " + Span(time.Duration(hours*float64(time.Hour)))
	}
	at := s.Local(s.At.Wall.Add(time.Duration(hours * float64(time.Hour))))
	return strings.TrimSpace(at.Format("Mon 2 Jan 15:00"))
}
