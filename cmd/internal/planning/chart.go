package planning

import (
	"fmt"
	"math"

	"ebbwatch/cmd/internal/chart"
	"ebbwatch/estimator/plan"
	"ebbwatch/estimator/plan/radio"
)

func monthLetters() []string {
	return []string{"J", "F", "M", "A", "M", "J", "J", "A", "S", "O", "N", "D"}
}

// months puts a column for each month, with its letter below, beginning where the plan's
// year begins.
func months(c *chart.Canvas, south bool, column func(month int, x1, x2 float64)) {
	for i, m := range yearOf(south) {
		x1, x2 := c.X(float64(i)/12), c.X(float64(i+1)/12)
		c.Text("axis", "middle", (x1+x2)/2, c.H-7, monthLetters()[m])
		column(m, x1, x2)
	}
}

// balance is the harvest of the months against the load.
func balance(o plan.Outcome, south bool) *chart.Figure {
	most := 0.0
	for _, m := range o.Months {
		most = math.Max(most, math.Max(m.Possible, m.Load))
	}
	return chart.Both("Harvest and load by month", "Mean harvest at the battery were it never full, and what the load asks for, Wh a day", 210,
		[]chart.Key{{Class: "harvest", Text: "harvest"}, {Class: "refused", Text: "of it not taken below freezing"}, {Class: "load", Text: "load"}},
		func(c *chart.Canvas) {
			end := c.Axis(most, "Wh a day")
			months(c, south, func(m int, x1, x2 float64) {
				w := (x2 - x1) * 0.16
				x := o.Months[m]
				c.Bar("harvest", x1+w, x2-w, 0, x.Possible/end)
				c.Bar("refused", x1+w, x2-w, (x.Possible-x.Refused)/end, x.Possible/end)
				y := c.Y(x.Load / end)
				c.Line("load", x1, y, x2, y)
			})
		})
}

// darkness is the dark hours of the months.
func darkness(o plan.Outcome, south bool) *chart.Figure {
	most := 1.0
	for _, m := range o.Months {
		most = math.Max(most, math.Max(m.DarkMean, m.Dark.P90))
	}
	return chart.Both("Dark hours by month", "Mean over the years, and the month that is worse in one year of ten", 190,
		[]chart.Key{{Class: "dark", Text: "mean"}, {Class: "whisker", Text: "one year in ten is worse"}},
		func(c *chart.Canvas) {
			end := c.Axis(most, "hours")
			months(c, south, func(m int, x1, x2 float64) {
				w := (x2 - x1) * 0.2
				x := o.Months[m]
				c.Bar("dark", x1+w, x2-w, 0, x.DarkMean/end)
				if x.Dark.P90 > 0 {
					y := c.Y(x.Dark.P90 / end)
					c.Line("whisker", x1+w, y, x2-w, y)
					c.Line("whisker", (x1+x2)/2, y, (x1+x2)/2, c.Y(x.DarkMean/end))
				}
			})
		})
}

// frontier is the sizes that reach the target, on two logarithmic scales.
func frontier(pairs []plan.Pair, watts, ah float64) *chart.Figure {
	lowX, highX, lowY, highY := watts, watts, ah, ah
	for _, p := range pairs {
		lowX, highX = math.Min(lowX, p.Watts), math.Max(highX, p.Watts)
		lowY, highY = math.Min(lowY, p.Ah), math.Max(highY, p.Ah)
	}
	lowX, highX, lowY, highY = lowX/1.25, highX*1.25, lowY/1.3, highY*1.3
	sx := func(x float64) float64 { return math.Log(x/lowX) / math.Log(highX/lowX) }
	sy := func(y float64) float64 { return math.Log(y/lowY) / math.Log(highY/lowY) }
	return chart.Both("Panel and battery that keep the target", "Everything above and to the right of the line keeps it", 260,
		[]chart.Key{{Class: "edge", Text: "smallest battery for a panel"}, {Class: "own", Text: "this kit"}, {Class: "best", Text: "the one to take"}},
		func(c *chart.Canvas) {
			scales(c, sx, sy, lowX, highX, lowY, highY)
			at := func(watts, ah float64) chart.Point { return chart.Point{X: c.X(sx(watts)), Y: c.Y(sy(ah))} }
			var edge []chart.Point
			for _, p := range pairs {
				edge = append(edge, at(p.Watts, p.Ah))
			}
			c.Path("edge", chart.Trace(edge...))
			for i, p := range pairs {
				if !p.Best {
					c.Dot("dot", edge[i].X, edge[i].Y, 4)
					continue
				}
				anchor, dx := "start", 9.0
				if edge[i].X > c.W*0.6 {
					anchor, dx = "end", -9
				}
				c.Dot("best", edge[i].X, edge[i].Y, 4)
				c.Text("mark", anchor, edge[i].X+dx, edge[i].Y-8, fmt.Sprintf("%.0f W, %.0f Ah", p.Watts, p.Ah))
			}
			own := at(watts, ah)
			c.Diamond("own", own.X, own.Y, 6)
		})
}

// scales draws both logarithmic axes.
func scales(c *chart.Canvas, sx, sy func(float64) float64, lowX, highX, lowY, highY float64) {
	for _, v := range chart.Decades(lowX, highX) {
		c.Down("grid", c.X(sx(v)))
		c.Text("axis", "middle", c.X(sx(v)), c.H-8, chart.Number(v))
	}
	for _, v := range chart.Decades(lowY, highY) {
		c.Level(c.Y(sy(v)), chart.Number(v))
	}
	c.Text("axis", "start", 2, 11, "Ah")
	c.Text("axis", "end", c.W-c.Right, c.H-c.Bottom-5, "W of panel")
}

// tornado is what is not known, the widest first.
func tornado(swings []plan.Swing, base float64) *chart.Figure {
	most := base
	for _, s := range swings {
		most = math.Max(most, math.Max(s.AtLow, s.AtHigh))
	}
	height := 40 + 40*float64(len(swings))
	return chart.Both("What would change the verdict most", "Dark hours a year if one thing is otherwise", height, []chart.Key{{Class: "worse", Text: "the unkind end"}, {Class: "kinder", Text: "the kind end"}},
		func(c *chart.Canvas) {
			c.Left, c.Top = 8, 8
			step := chart.Nice(most / 4)
			end := chart.RoundUp(most, step)
			for v := 0.0; v <= end+step/2; v += step {
				x := c.X(v / end)
				c.Down("grid", x)
				c.Text("axis", "middle", math.Min(math.Max(x, 10), c.W-20), c.H-7, chart.Number(v))
			}
			for i, s := range swings {
				y := c.Top + 40*float64(i)
				c.Text("mark", "start", c.Left+2, y+13, fmt.Sprintf("%s: %s, %s", s.Name, s.Low, s.High))
				swing(c, "worse", y+18, base/end, s.AtLow/end)
				swing(c, "kinder", y+18, base/end, s.AtHigh/end)
			}
			c.Down("load", c.X(base/end))
		})
}

// swing is a bar from the base to where one end of what is not known leads.
func swing(c *chart.Canvas, class string, y, base, end float64) {
	c.Rect(class, c.X(min(base, end)), y, c.X(max(base, end))-c.X(min(base, end)), 15)
}

// radioProfile is the radio path from the side.
func radioProfile(r *RadioReport) *chart.Figure {
	looks := r.Verdict.Looks
	low, high := math.Inf(1), math.Inf(-1)
	for _, l := range looks {
		low = math.Min(low, l.Ground)
		high = math.Max(high, math.Max(l.Line+0.6*l.Radius, l.Ground+l.Trees))
	}
	high += (high - low) * 0.08
	low -= (high - low) * 0.1
	return chart.Both("The path from the side", "Heights are drawn larger than lengths", 210,
		[]chart.Key{{Class: "ground", Text: "ground with the earth's curve"}, {Class: "trees", Text: "trees"}, {Class: "zone", Text: "60 % of the first Fresnel zone"}, {Class: "edge", Text: "line of sight"}},
		func(c *chart.Canvas) {
			edge := func(height func(radio.Look) float64) (points []chart.Point) {
				for _, l := range looks {
					points = append(points, chart.Point{X: c.X(l.At / r.Verdict.Meters), Y: c.Y((height(l) - low) / (high - low))})
				}
				return points
			}
			step := chart.Nice((high - low) / 4)
			for v := math.Ceil(low/step) * step; v < high; v += step {
				c.Level(c.Y((v-low)/(high-low)), chart.Number(v))
			}
			floor := []chart.Point{{X: c.X(0), Y: c.Y(0)}, {X: c.X(1), Y: c.Y(0)}}
			c.Path("trees", chart.Band(edge(func(l radio.Look) float64 { return l.Ground + l.Trees }), floor))
			c.Path("ground", chart.Band(edge(func(l radio.Look) float64 { return l.Ground }), floor))
			c.Path("zone", chart.Band(edge(func(l radio.Look) float64 { return l.Line + 0.6*l.Radius }),
				edge(func(l radio.Look) float64 { return l.Line - 0.6*l.Radius })))
			c.Path("edge", chart.Trace(edge(func(l radio.Look) float64 { return l.Line })...))
			c.Text("axis", "start", 2, 11, "m")
			c.Text("mark", "start", c.Left+2, c.H-7, r.From)
			c.Text("mark", "end", c.W-c.Right, c.H-7, fmt.Sprintf("%s, %.0f m", r.To, r.Verdict.Meters))
		})
}

// nightsOf is the dark nights of the measured years.
func nightsOf(m *MeasuredYears) *chart.Figure {
	most := 1.0
	for _, y := range m.Years {
		most = math.Max(most, float64(y.Nights))
	}
	return chart.Both("The measured years", "Dark nights of this kit, had it stood then", 190, nil, func(c *chart.Canvas) {
		end := c.Axis(most, "nights")
		n := float64(len(m.Years))
		every := c.Every(len(m.Years), 34)
		for i, y := range m.Years {
			x1, x2 := c.X(float64(i)/n), c.X(float64(i+1)/n)
			c.Bar("dark", x1+(x2-x1)*0.15, x2-(x2-x1)*0.15, 0, float64(y.Nights)/end)
			if i%every == 0 {
				c.Text("axis", "middle", (x1+x2)/2, c.H-7, y.Name[len(y.Name)-min(5, len(y.Name)):])
			}
		}
	})
}

// byHour is the load over the day.
func byHour(p plan.Profile) *chart.Figure {
	most := 0.0
	for _, w := range p.Watts {
		most = math.Max(most, w)
	}
	return chart.Both("Load by hour", "At the battery, local time", 150, []chart.Key{{Class: "harvest", Text: "kept"}, {Class: "shed", Text: "may be shed"}}, func(c *chart.Canvas) {
		end := c.Axis(most, "W")
		for h, w := range p.Watts {
			x1, x2 := c.X(float64(h)/24), c.X(float64(h+1)/24)
			c.Bar("harvest", x1+1, x2-1, 0, (w-p.Shed[h])/end)
			c.Bar("shed", x1+1, x2-1, (w-p.Shed[h])/end, w/end)
			if h%6 == 0 {
				c.Text("axis", "middle", x1, c.H-7, fmt.Sprintf("%02d", h))
			}
		}
	})
}
