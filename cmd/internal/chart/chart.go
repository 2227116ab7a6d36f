package chart

import (
	"fmt"
	"html"
	"html/template"
	"math"
	"strconv"
	"strings"
)

// Canvas is one drawing. The origin is the upper left corner; units are those of the view
// box, which are CSS pixels where a page shows the drawing in its own width. Shapes cover each
// other in the order in which they are drawn; texts lie on top of all shapes.
type Canvas struct {
	Class                    string  // of the svg element
	W, H                     float64 // of the whole drawing
	Left, Right, Top, Bottom float64 // margins around the plot

	shapes, texts strings.Builder
}

// X is the place of a share 0…1 of the plot's width.
func (c *Canvas) X(share float64) float64 { return c.Left + share*(c.W-c.Left-c.Right) }

// Y is the place of a share 0…1 of the plot's height, from its foot.
func (c *Canvas) Y(share float64) float64 { return c.H - c.Bottom - share*(c.H-c.Top-c.Bottom) }

// Rect draws a box from its upper left corner; one without height or width is left out.
func (c *Canvas) Rect(class string, x, y, w, h float64) {
	if w > 0 && h > 0 && finite(x, y, w, h) {
		fmt.Fprintf(&c.shapes, `<rect class="%s" x="%s" y="%s" width="%s" height="%s"/>`, class, num(x), num(y), num(w), num(h))
	}
}

// Bar draws a box between two x and two shares of the height.
func (c *Canvas) Bar(class string, x1, x2, low, high float64) {
	c.Rect(class, x1, c.Y(high), x2-x1, c.Y(low)-c.Y(high))
}

// Line draws a straight line.
func (c *Canvas) Line(class string, x1, y1, x2, y2 float64) {
	if finite(x1, y1, x2, y2) {
		fmt.Fprintf(&c.shapes, `<path class="%s" d="M%s %sL%s %s"/>`, class, num(x1), num(y1), num(x2), num(y2))
	}
}

// Across draws a line over the whole width of the plot, Down one over its whole height.
func (c *Canvas) Across(class string, y float64) { c.Line(class, c.Left, y, c.W-c.Right, y) }

// Down draws a line over the whole height of the plot.
func (c *Canvas) Down(class string, x float64) { c.Line(class, x, c.Top, x, c.H-c.Bottom) }

// Path draws the data of an SVG path, such as [Trace] and [Band] make.
func (c *Canvas) Path(class, d string) {
	if d != "" {
		fmt.Fprintf(&c.shapes, `<path class="%s" d="%s"/>`, class, html.EscapeString(d))
	}
}

// Dot draws a disc of radius r.
func (c *Canvas) Dot(class string, x, y, r float64) {
	if finite(x, y, r) {
		fmt.Fprintf(&c.shapes, `<circle class="%s" cx="%s" cy="%s" r="%s"/>`, class, num(x), num(y), num(r))
	}
}

// Diamond draws a square on its corner, r from its middle to each corner.
func (c *Canvas) Diamond(class string, x, y, r float64) {
	c.Path(class, closed(Trace(Point{x, y - r}, Point{x + r, y}, Point{x, y + r}, Point{x - r, y})))
}

// Text writes words with their anchor: start, middle or end.
func (c *Canvas) Text(class, anchor string, x, y float64, text string) {
	if finite(x, y) {
		fmt.Fprintf(&c.texts, `<text class="%s" text-anchor="%s" x="%s" y="%s">%s</text>`, class, anchor, num(x), num(y), html.EscapeString(text))
	}
}

// SVG is the drawing. Label says what it shows, for who cannot see it.
func (c *Canvas) SVG(label string) template.HTML {
	return template.HTML(fmt.Sprintf(`<svg class="%s" viewBox="0 0 %s %s" role="img" aria-label="%s">%s%s</svg>`,
		c.Class, num(c.W), num(c.H), html.EscapeString(label), c.shapes.String(), c.texts.String()))
}

// Decoration is the drawing where the words beside it say all that it shows.
func (c *Canvas) Decoration() template.HTML {
	return template.HTML(fmt.Sprintf(`<svg class="%s" viewBox="0 0 %s %s" aria-hidden="true">%s</svg>`, c.Class, num(c.W), num(c.H), c.shapes.String()))
}

// Point is a place on a canvas.
type Point struct{ X, Y float64 }

// Trace is the path through points; those that are no numbers are left out.
func Trace(points ...Point) string {
	var d strings.Builder
	for _, p := range points {
		if !finite(p.X, p.Y) {
			continue
		}
		lead := byte('L')
		if d.Len() == 0 {
			lead = 'M'
		}
		d.WriteByte(lead)
		d.WriteString(num(p.X) + " " + num(p.Y))
	}
	return d.String()
}

// Band is the closed area between an upper and a lower edge, both from left to right.
func Band(upper, lower []Point) string {
	all := make([]Point, 0, len(upper)+len(lower))
	all = append(all, upper...)
	for i := range lower {
		all = append(all, lower[len(lower)-1-i])
	}
	return closed(Trace(all...))
}

func closed(d string) string {
	if d == "" {
		return ""
	}
	return d + "Z"
}

// num prints a tenth of a unit: finer than any screen, and a third of the bytes.
func num(x float64) string { return strconv.FormatFloat(math.Round(10*x)/10, 'f', -1, 64) }

// finite tells whether all are numbers that a drawing can hold: a browser drops a whole path
// over one NaN.
func finite(xs ...float64) bool {
	for _, x := range xs {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return false
		}
	}
	return true
}
