package web

import (
	"fmt"
	"html/template"
	"math"
	"strings"

	"ebbwatch/cmd/internal/chart"
	"ebbwatch/cmd/internal/facts"
)

// thermo is the temperatures on one scale with the freezing line, and how old they are.
type thermo struct {
	SVG  template.HTML
	Ages string
}

// newThermo draws the scale; nil when no temperature is known.
func newThermo(s *facts.Snapshot) *thermo {
	ws := facts.Warmths(s)
	if len(ws) == 0 {
		return nil
	}
	lo, hi := -10.0, 30.0
	for _, w := range ws {
		lo, hi = min(lo, 10*math.Floor(w.Celsius/10)), max(hi, 10*math.Ceil(w.Celsius/10))
	}
	c := chart.Canvas{Class: "thermo", W: 340, H: 40 + 30*float64(len(ws)), Left: 84, Right: 68, Top: 8, Bottom: 26}
	x := func(celsius float64) float64 { return c.X((celsius - lo) / (hi - lo)) }
	for t := lo; t <= hi; t += 10 * max(1, math.Ceil((hi-lo)/70)) {
		c.Down("grid", x(t))
		c.Text("axis", "middle", x(t), c.H-10, strings.Replace(fmt.Sprintf("%.0f", t), "-", "−", 1))
	}
	c.Text("axis", "end", c.W, c.H-10, "°C")
	c.Down("freeze", x(0))
	var said []string
	for i, w := range ws {
		y := 26 + 30*float64(i)
		text := facts.Row{Unit: "°C", Decimals: 1}.Text(w.Celsius)
		c.Text("row", "start", 0, y+5, w.Of)
		c.Across("grid", y)
		if w.Celsius < 0 {
			c.Diamond("cold", x(w.Celsius), y, 7)
		} else {
			c.Dot("mild", x(w.Celsius), y, 6)
		}
		c.Text("row", "end", c.W, y+5, text)
		said = append(said, strings.ToLower(w.Of)+" "+text)
	}
	var ages []string
	for _, l := range facts.Lines(s, facts.GroupWarmth) {
		ages = append(ages, fmt.Sprintf("%s %s old (%s)", l.Label, facts.Span(l.Age), l.Source))
	}
	return &thermo{c.SVG("Temperatures: " + strings.Join(said, ", ") + ". Water freezes at 0 °C."), strings.Join(ages, ", ")}
}
