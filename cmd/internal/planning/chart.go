package planning

import (
	"fmt"
	"math"
	"strings"

	"ebbwatch/estimator/plan"
)

// chart is a drawing in two widths: one for a telephone and one for anything wider. The
// page's template turns the marks into SVG.
type chart struct {
	Title, Says string
	Sizes       []canvas
	Legend      []key
}

// key is a line of a legend.
type key struct{ Class, Text string }

// canvas is one drawing. The origin is the upper left corner.
type canvas struct {
	Class                    string
	W, H                     float64
	Boxes                    []box
	Lines                    []line
	Paths                    []shape
	Texts                    []word
	left, right, top, bottom float64
}

type box struct {
	Class      string
	X, Y, W, H float64
}

type line struct {
	Class          string
	X1, Y1, X2, Y2 float64
}

type shape struct {
	Class, D string
}

type word struct {
	Class, Anchor, Text string
	X, Y                float64
}

// both draws a chart in both widths.
func both(title, says string, height float64, legend []key, draw func(*canvas)) chart {
	c := chart{Title: title, Says: says, Legend: legend}
	for _, size := range []canvas{
		{Class: "narrow", W: 340, H: height, left: 42, right: 8, top: 26, bottom: 24},
		{Class: "wide", W: 720, H: height, left: 48, right: 12, top: 26, bottom: 24},
	} {
		draw(&size)
		c.Sizes = append(c.Sizes, size)
	}
	return c
}

func (c *canvas) x(share float64) float64 { return c.left + share*(c.W-c.left-c.right) }
func (c *canvas) y(share float64) float64 { return c.H - c.bottom - share*(c.H-c.top-c.bottom) }

func (c *canvas) bar(class string, x1, x2, low, high float64) {
	a, b := c.y(high), c.y(low)
	c.Boxes = append(c.Boxes, box{class, x1, a, x2 - x1, math.Max(0, b-a)})
}

func (c *canvas) line(class string, x1, y1, x2, y2 float64) {
	c.Lines = append(c.Lines, line{class, x1, y1, x2, y2})
}

func (c *canvas) text(class, anchor string, x, y float64, format string, args ...any) {
	c.Texts = append(c.Texts, word{class, anchor, fmt.Sprintf(format, args...), x, y})
}

// axis draws the lines of a vertical scale from 0 to most and gives the end it was rounded
// up to.
func (c *canvas) axis(most float64, unit string) float64 {
	step := nice(most / 4)
	end := math.Max(step, math.Ceil(most/step-1e-9)*step)
	for v := 0.0; v <= end+step/2; v += step {
		y := c.y(v / end)
		c.line("grid", c.left, y, c.W-c.right, y)
		c.text("axis", "end", c.left-5, y+4, "%g", round(v))
	}
	c.text("axis", "start", 2, 11, "%s", unit)
	return end
}

func round(x float64) float64 { return math.Round(x*1000) / 1000 }

// nice is 1, 2 or 5 times a power of ten, not below x.
func nice(x float64) float64 {
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

func monthLetters() []string {
	return []string{"J", "F", "M", "A", "M", "J", "J", "A", "S", "O", "N", "D"}
}

// months puts a column for each month, with its letter below, beginning where the plan's
// year begins.
func (c *canvas) months(south bool, column func(month int, x1, x2 float64)) {
	for i := range 12 {
		m := (i + 6) % 12
		if south {
			m = i
		}
		x1, x2 := c.x(float64(i)/12), c.x(float64(i+1)/12)
		c.text("axis", "middle", (x1+x2)/2, c.H-7, "%s", monthLetters()[m])
		column(m, x1, x2)
	}
}

// balance is the harvest of the months against the load.
func balance(o plan.Outcome, south bool) chart {
	most := 0.0
	for _, m := range o.Months {
		most = math.Max(most, math.Max(m.Possible, m.Load))
	}
	return both("Harvest and load by month", "Mean harvest at the battery were it never full, and what the load asks for, Wh a day", 210,
		[]key{{"harvest", "harvest"}, {"refused", "of it not taken below freezing"}, {"load", "load"}},
		func(c *canvas) {
			end := c.axis(most, "Wh a day")
			c.months(south, func(m int, x1, x2 float64) {
				w := (x2 - x1) * 0.16
				x := o.Months[m]
				c.bar("harvest", x1+w, x2-w, 0, x.Possible/end)
				c.bar("refused", x1+w, x2-w, (x.Possible-x.Refused)/end, x.Possible/end)
				y := c.y(x.Load / end)
				c.line("load", x1, y, x2, y)
			})
		})
}

// darkness is the dark hours of the months.
func darkness(o plan.Outcome, south bool) chart {
	most := 1.0
	for _, m := range o.Months {
		most = math.Max(most, math.Max(m.DarkMean, m.Dark.P90))
	}
	return both("Dark hours by month", "Mean over the years, and the month that is worse in one year of ten", 190,
		[]key{{"dark", "mean"}, {"whisker", "one year in ten is worse"}},
		func(c *canvas) {
			end := c.axis(most, "hours")
			c.months(south, func(m int, x1, x2 float64) {
				w := (x2 - x1) * 0.2
				x := o.Months[m]
				c.bar("dark", x1+w, x2-w, 0, x.DarkMean/end)
				if x.Dark.P90 > 0 {
					y := c.y(x.Dark.P90 / end)
					c.line("whisker", x1+w, y, x2-w, y)
					c.line("whisker", (x1+x2)/2, y, (x1+x2)/2, c.y(x.DarkMean/end))
				}
			})
		})
}

// frontier is the sizes that reach the target, on two logarithmic scales.
func frontier(pairs []plan.Pair, watts, ah float64) chart {
	lowX, highX, lowY, highY := watts, watts, ah, ah
	for _, p := range pairs {
		lowX, highX = math.Min(lowX, p.Watts), math.Max(highX, p.Watts)
		lowY, highY = math.Min(lowY, p.Ah), math.Max(highY, p.Ah)
	}
	lowX, highX, lowY, highY = lowX/1.25, highX*1.25, lowY/1.3, highY*1.3
	sx := func(x float64) float64 { return math.Log(x/lowX) / math.Log(highX/lowX) }
	sy := func(y float64) float64 { return math.Log(y/lowY) / math.Log(highY/lowY) }
	return both("Panel and battery that keep the target", "Everything above and to the right of the line keeps it", 260,
		[]key{{"edge", "smallest battery for a panel"}, {"own", "this kit"}, {"best", "the one to take"}},
		func(c *canvas) {
			c.scales(sx, sy, lowX, highX, lowY, highY)
			var d strings.Builder
			for i, p := range pairs {
				x, y := c.x(sx(p.Watts)), c.y(sy(p.Ah))
				fmt.Fprintf(&d, "%s%.1f %.1f", map[bool]string{true: "M", false: "L"}[i == 0], x, y)
				class := "dot"
				if p.Best {
					class = "best"
					anchor, dx := "start", 9.0
					if x > c.W*0.6 {
						anchor, dx = "end", -9
					}
					c.text("mark", anchor, x+dx, y-8, "%.0f W, %.0f Ah", p.Watts, p.Ah)
				}
				c.Paths = append(c.Paths, dot(class, x, y, 4))
			}
			c.Paths = append([]shape{{"edge", d.String()}}, c.Paths...)
			c.Paths = append(c.Paths, diamond("own", c.x(sx(watts)), c.y(sy(ah)), 6))
		})
}

// scales draws both logarithmic axes.
func (c *canvas) scales(sx, sy func(float64) float64, lowX, highX, lowY, highY float64) {
	for _, v := range decades(lowX, highX) {
		x := c.x(sx(v))
		c.line("grid", x, c.top, x, c.H-c.bottom)
		c.text("axis", "middle", x, c.H-8, "%g", v)
	}
	for _, v := range decades(lowY, highY) {
		y := c.y(sy(v))
		c.line("grid", c.left, y, c.W-c.right, y)
		c.text("axis", "end", c.left-5, y+4, "%g", v)
	}
	c.text("axis", "start", 2, 11, "Ah")
	c.text("axis", "end", c.W-c.right, c.H-c.bottom-5, "W of panel")
}

func decades(low, high float64) (out []float64) {
	for p := math.Pow(10, math.Floor(math.Log10(low))); p <= high; p *= 10 {
		for _, m := range []float64{1, 2, 5} {
			if v := m * p; v >= low && v <= high {
				out = append(out, v)
			}
		}
	}
	return out
}

func dot(class string, x, y, r float64) shape {
	return shape{class, fmt.Sprintf("M%.1f %.1fa%g %g 0 1 0 %g 0a%g %g 0 1 0 %g 0", x-r, y, r, r, 2*r, r, r, -2*r)}
}

func diamond(class string, x, y, r float64) shape {
	return shape{class, fmt.Sprintf("M%.1f %.1fl%g %gl%g %gl%g %gz", x, y-r, r, r, -r, r, -r, -r)}
}

// tornado is what is not known, the widest first.
func tornado(swings []plan.Swing, base float64) chart {
	most := base
	for _, s := range swings {
		most = math.Max(most, math.Max(s.AtLow, s.AtHigh))
	}
	height := 40 + 40*float64(len(swings))
	return both("What would change the verdict most", "Dark hours a year if one thing is otherwise", height, []key{{"worse", "the unkind end"}, {"kinder", "the kind end"}},
		func(c *canvas) {
			c.left, c.top = 8, 8
			step := nice(most / 4)
			end := math.Max(step, math.Ceil(most/step-1e-9)*step)
			for v := 0.0; v <= end+step/2; v += step {
				x := c.x(v / end)
				c.line("grid", x, c.top, x, c.H-c.bottom)
				c.text("axis", "middle", math.Min(math.Max(x, 10), c.W-20), c.H-7, "%g", round(v))
			}
			for i, s := range swings {
				y := c.top + 40*float64(i)
				c.text("mark", "start", c.left+2, y+13, "%s: %s, %s", s.Name, s.Low, s.High)
				c.span("worse", y+18, base/end, s.AtLow/end)
				c.span("kinder", y+18, base/end, s.AtHigh/end)
			}
			c.line("load", c.x(base/end), c.top, c.x(base/end), c.H-c.bottom)
		})
}

func (c *canvas) span(class string, y, a, b float64) {
	a, b = math.Min(a, b), math.Max(a, b)
	c.Boxes = append(c.Boxes, box{class, c.x(a), y, c.x(b) - c.x(a), 15})
}

// profile is the radio path from the side.
func radioProfile(r *RadioReport) chart {
	looks := r.Verdict.Looks
	low, high := math.Inf(1), math.Inf(-1)
	for _, l := range looks {
		low = math.Min(low, l.Ground)
		high = math.Max(high, math.Max(l.Line+0.6*l.Radius, l.Ground+l.Trees))
	}
	high += (high - low) * 0.08
	low -= (high - low) * 0.1
	return both("The path from the side", "Heights are drawn larger than lengths", 210,
		[]key{{"ground", "ground with the earth's curve"}, {"trees", "trees"}, {"zone", "60 % of the first Fresnel zone"}, {"edge", "line of sight"}},
		func(c *canvas) {
			at := func(d, h float64) string {
				return fmt.Sprintf("%.1f %.1f", c.x(d/r.Verdict.Meters), c.y((h-low)/(high-low)))
			}
			var ground, trees, over, under, line strings.Builder
			for i, l := range looks {
				lead := "L"
				if i == 0 {
					lead = "M"
				}
				ground.WriteString(lead + at(l.At, l.Ground))
				trees.WriteString(lead + at(l.At, l.Ground+l.Trees))
				over.WriteString(lead + at(l.At, l.Line+0.6*l.Radius))
				line.WriteString(lead + at(l.At, l.Line))
			}
			for i := len(looks) - 1; i >= 0; i-- {
				under.WriteString("L" + at(looks[i].At, looks[i].Line-0.6*looks[i].Radius))
			}
			floor := "L" + at(r.Verdict.Meters, low) + "L" + at(0, low) + "z"
			c.Paths = append(c.Paths, shape{"trees", trees.String() + floor}, shape{"ground", ground.String() + floor},
				shape{"zone", over.String() + under.String() + "z"}, shape{"edge", line.String()})
			step := nice((high - low) / 4)
			for v := math.Ceil(low/step) * step; v < high; v += step {
				y := c.y((v - low) / (high - low))
				c.line("grid", c.left, y, c.W-c.right, y)
				c.text("axis", "end", c.left-5, y+4, "%g", round(v))
			}
			c.text("axis", "start", 2, 11, "m")
			c.text("mark", "start", c.left+2, c.H-7, "%s", r.From)
			c.text("mark", "end", c.W-c.right, c.H-7, "%s, %.0f m", r.To, r.Verdict.Meters)
		})
}

// nightsOf is the dark nights of the measured years.
func nightsOf(m *MeasuredYears) chart {
	most := 1.0
	for _, y := range m.Years {
		most = math.Max(most, float64(y.Nights))
	}
	return both("The measured years", "Dark nights of this kit, had it stood then", 190, nil, func(c *canvas) {
		end := c.axis(most, "nights")
		n := float64(len(m.Years))
		every := int(math.Ceil(n * 34 / (c.W - c.left - c.right)))
		for i, y := range m.Years {
			x1, x2 := c.x(float64(i)/n), c.x(float64(i+1)/n)
			c.bar("dark", x1+(x2-x1)*0.15, x2-(x2-x1)*0.15, 0, float64(y.Nights)/end)
			if i%every == 0 {
				c.text("axis", "middle", (x1+x2)/2, c.H-7, "%s", y.Name[len(y.Name)-min(5, len(y.Name)):])
			}
		}
	})
}

// byHour is the load over the day.
func byHour(p plan.Profile) chart {
	most := 0.0
	for _, w := range p.Watts {
		most = math.Max(most, w)
	}
	return both("Load by hour", "At the battery, local time", 150, []key{{"harvest", "kept"}, {"shed", "may be shed"}}, func(c *canvas) {
		end := c.axis(most, "W")
		for h, w := range p.Watts {
			x1, x2 := c.x(float64(h)/24), c.x(float64(h+1)/24)
			c.bar("harvest", x1+1, x2-1, 0, (w-p.Shed[h])/end)
			c.bar("shed", x1+1, x2-1, (w-p.Shed[h])/end, w/end)
			if h%6 == 0 {
				c.text("axis", "middle", x1, c.H-7, "%02d", h)
			}
		}
	})
}
