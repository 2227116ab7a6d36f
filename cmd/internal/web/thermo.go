package web

import (
	"fmt"
	"math"
	"strings"

	"ebbwatch/cmd/internal/facts"
)

// thermo is a scale of temperatures with the freezing line.
type thermo struct {
	W, H, Left, Right, Bottom float64
	FreezeX                   float64
	Marks                     []mark
	Rows                      []thermoRow
	Desc                      string
	Ages                      string
}

type mark struct {
	X    float64
	Text string
}

type thermoRow struct {
	Of, Text string
	Y, X     float64
	Cold     bool
}

// newThermo lays the scale out; false when no temperature is known.
func newThermo(s *facts.Snapshot) (thermo, bool) {
	ws := facts.Warmths(s)
	if len(ws) == 0 {
		return thermo{}, false
	}
	lo, hi := -10.0, 30.0
	for _, w := range ws {
		lo, hi = min(lo, 10*math.Floor(w.Celsius/10)), max(hi, 10*math.Ceil(w.Celsius/10))
	}
	t := thermo{W: 340, Left: 84, Right: 272, Bottom: 14 + 30*float64(len(ws))}
	t.H = t.Bottom + 26
	x := func(c float64) float64 { return t.Left + (t.Right-t.Left)*(c-lo)/(hi-lo) }
	t.FreezeX = x(0)
	for c := lo; c <= hi; c += 10 * max(1, math.Ceil((hi-lo)/70)) {
		t.Marks = append(t.Marks, mark{x(c), strings.Replace(fmt.Sprintf("%.0f", c), "-", "−", 1)})
	}
	var said []string
	for i, w := range ws {
		text := facts.Row{Unit: "°C", Decimals: 1}.Text(w.Celsius)
		t.Rows = append(t.Rows, thermoRow{w.Of, text, 26 + 30*float64(i), x(w.Celsius), w.Celsius < 0})
		said = append(said, strings.ToLower(w.Of)+" "+text)
	}
	var ages []string
	for _, l := range facts.Lines(s, facts.GroupWarmth) {
		ages = append(ages, fmt.Sprintf("%s %s old (%s)", l.Label, facts.Span(l.Age), l.Source))
	}
	t.Ages = strings.Join(ages, ", ")
	t.Desc = "Temperatures: " + strings.Join(said, ", ") + ". Water freezes at 0 °C."
	return t, true
}
