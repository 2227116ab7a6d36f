package chart

import (
	"html/template"
	"math"
	"strconv"
)

// Axis draws the lines of a vertical scale from 0 to most, its numbers and its unit, and gives
// the end to which it was rounded up.
func (c *Canvas) Axis(most float64, unit string) float64 {
	step := Nice(most / 4)
	end := RoundUp(most, step)
	for v := 0.0; v <= end+step/2; v += step {
		c.Level(c.Y(v/end), Number(v))
	}
	c.Text("axis", "start", 2, 11, unit)
	return end
}

// Level draws one line of a vertical scale with its number left of the plot.
func (c *Canvas) Level(y float64, text string) {
	c.Across("grid", y)
	c.Text("axis", "end", c.Left-5, y+4, text)
}

// Number prints a mark of a scale, without the noise of adding up steps.
func Number(x float64) string { return strconv.FormatFloat(math.Round(x*1000)/1000, 'g', 6, 64) }

// RoundUp is the multiple of step not below x, and one step at least.
func RoundUp(x, step float64) float64 {
	return math.Max(step, math.Ceil(x/step-1e-9)*step)
}

// Nice is 1, 2 or 5 times a power of ten, not below x.
func Nice(x float64) float64 {
	if x <= 0 {
		return 1
	}
	p := math.Pow(10, math.Floor(math.Log10(x)))
	for _, m := range []float64{1, 2, 5} {
		if x <= m*p*1.0001 {
			return m * p
		}
	}
	return 10 * p
}

// Decades are the marks 1, 2 and 5 of a logarithmic scale between two ends.
func Decades(low, high float64) (marks []float64) {
	for p := math.Pow(10, math.Floor(math.Log10(low))); p <= high; p *= 10 {
		for _, m := range []float64{1, 2, 5} {
			if v := m * p; v >= low && v <= high {
				marks = append(marks, v)
			}
		}
	}
	return marks
}

// Every is how many columns share one label, so that labels of a width do not touch when n
// columns fill the plot.
func (c *Canvas) Every(n int, label float64) int {
	return max(1, int(math.Ceil(float64(n)*label/(c.W-c.Left-c.Right))))
}

// Figure is a drawing in two widths, so that its letters stay legible on a telephone and on
// a desk; the style sheet shows one of them.
type Figure struct {
	Title, Says string
	Sizes       []template.HTML
	Legend      []Key
}

// Key is a line of a legend: a class of the drawing and what it means.
type Key struct{ Class, Text string }

// Both draws a figure in both widths. Who cannot see it is told the title.
func Both(title, says string, height float64, legend []Key, draw func(*Canvas)) *Figure {
	f := &Figure{Title: title, Says: says, Legend: legend}
	for _, c := range []*Canvas{
		{Class: "chart narrow", W: 340, H: height, Left: 42, Right: 8, Top: 26, Bottom: 24},
		{Class: "chart wide", W: 720, H: height, Left: 48, Right: 12, Top: 26, Bottom: 24},
	} {
		draw(c)
		f.Sizes = append(f.Sizes, c.SVG(title))
	}
	return f
}
