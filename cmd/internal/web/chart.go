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

// Point is one moment of the past. A charge that is not known is NaN and leaves a gap.
type Point struct {
	Hours          float64 // before now, so never positive
	SoC, Low, High float64 // 0 to 1; the 90 % band of the past, a band of the futures
}

// charge is the canvas of the charge, its past and its fan of futures, with the hours it spans.
type charge struct {
	*chart.Canvas
	from, to float64 // hours from now
}

// chartsOf draws the charge once for wide and once for narrow screens, so that its letters stay
// legible on both; the narrow one shows fewer days. None when there is nothing to draw yet.
func chartsOf(s *facts.Snapshot, past []Point) []template.HTML {
	if len(past) < 2 && len(s.Outlook.Fan) < 2 {
		return nil
	}
	var drawn []template.HTML
	for _, c := range []struct {
		chart.Canvas
		from, to float64
	}{
		{chart.Canvas{Class: "chart wide", W: 720, H: 270}, -pastKept.Hours(), 240},
		{chart.Canvas{Class: "chart narrow", W: 340, H: 250}, -36, 168},
	} {
		c.Left, c.Right, c.Top, c.Bottom = 32, 66, 22, 22
		drawCharge(charge{&c.Canvas, c.from, c.to}, s, past)
		drawn = append(drawn, c.SVG(strings.TrimSpace("Charge of the battery. "+describe(s, past))))
	}
	return drawn
}

func drawCharge(c charge, s *facts.Snapshot, past []Point) {
	begin, end := 0.0, 12.0
	for _, p := range past {
		begin = min(begin, p.Hours)
	}
	if fan := s.Outlook.Fan; len(fan) > 0 {
		end = max(end, fan[len(fan)-1].Hours)
	}
	c.from, c.to = max(c.from, min(begin, -12)), min(c.to, end)
	for _, n := range facts.Nights(s, c.from, c.to) {
		c.Bar("night", c.x(n.From), c.x(n.To), 0, 1)
	}
	for _, share := range []float64{0, 0.25, 0.5, 0.75, 1} {
		c.Level(c.y(share), fmt.Sprintf("%.0f", 100*share))
	}
	c.Text("axis", "end", c.Left-6, c.Top-9, "%")
	c.days(s)
	stretches, fan := c.stretches(past), c.fan(s, false)
	for _, run := range stretches {
		c.Path("past-band", c.band(run))
	}
	c.Path("fan-band", c.band(fan))
	c.Path("fan-half", c.band(c.fan(s, true)))
	c.limits(s)
	for _, run := range stretches {
		c.Path("past-line", c.line(run))
	}
	c.Path("fan-line", c.line(fan))
	now := c.x(0)
	c.Line("now", now, c.Top-6, now, c.y(0))
	c.Text("mark", "middle", now, c.Top-9, "now")
}

func (c charge) x(hours float64) float64 { return c.X((hours - c.from) / (c.to - c.from)) }

func (c charge) y(soc float64) float64 { return c.Y(min(max(soc, 0), 1)) }

// step thins points that would fall on the same pixel.
func (c charge) step() float64 { return 1.5 * (c.to - c.from) / (c.W - c.Left - c.Right) }

// stretches are the runs of the past, broken where nothing was known for three hours.
func (c charge) stretches(points []Point) (runs [][]Point) {
	last := math.Inf(-1)
	for _, p := range points {
		if p.Hours < c.from || p.Hours > 0 || math.IsNaN(p.SoC) {
			continue
		}
		if gap := p.Hours - last; gap > 3 {
			runs = append(runs, nil)
		} else if gap < c.step() {
			continue
		}
		runs[len(runs)-1] = append(runs[len(runs)-1], p)
		last = p.Hours
	}
	return slices.DeleteFunc(runs, func(run []Point) bool { return len(run) < 2 })
}

// fan is the outlook as points from now on, with the band of eight futures in ten or of half of them.
func (c charge) fan(s *facts.Snapshot, half bool) []Point {
	var run []Point
	last := math.Inf(-1)
	age := s.OutlookAge().Hours()
	for _, p := range s.Outlook.Fan {
		if h := p.Hours - age; h >= 0 && h <= c.to && h-last >= c.step() {
			low, high := p.P10, p.P90
			if half {
				low, high = p.P25, p.P75
			}
			run, last = append(run, Point{h, p.P50, low, high}), h
		}
	}
	return run
}

func (c charge) trace(run []Point, soc func(Point) float64) []chart.Point {
	var out []chart.Point
	for _, p := range run {
		out = append(out, chart.Point{X: c.x(p.Hours), Y: c.y(soc(p))})
	}
	return out
}

func (c charge) line(run []Point) string {
	return chart.Trace(c.trace(run, func(p Point) float64 { return p.SoC })...)
}

func (c charge) band(run []Point) string {
	return chart.Band(c.trace(run, func(p Point) float64 { return p.High }), c.trace(run, func(p Point) float64 { return p.Low }))
}

// limits draws reserve and cut-off, named beside the plot where no line runs. The cut-off is a
// voltage under load; as a charge it is what the outlook says, and about empty while that is
// not known.
func (c charge) limits(s *facts.Snapshot) {
	const apart = 14 // height of a line of letters
	edge := c.W - c.Right + 5
	cut, known := s.Extra["cutoff_soc"]
	reserve := s.Battery.Reserve
	below := c.y(cut) + 4
	if reserve > 0 {
		at := c.y(reserve) + 4
		c.Across("reserve", c.y(reserve))
		c.Text("limit reserve-text", "start", edge, at, "reserve")
		below = max(below, at+apart)
	}
	c.Across("cutoff", c.y(cut))
	c.Text("limit", "start", edge, below, map[bool]string{true: "cut-off", false: "empty"}[known])
}

// days draws a line at every local midnight and names the days where there is room; without
// a trusted clock, days from now.
func (c charge) days(s *facts.Snapshot) {
	now := s.Local(s.At.Wall)
	room := 24 * (c.W - c.Left - c.Right) / (c.to - c.from)
	every := max(1, int(math.Ceil(34/room)))
	offset := func(n int) float64 {
		if !s.At.Trusted {
			return 24 * float64(n)
		}
		y, m, d := now.Date()
		return time.Date(y, m, d+n, 0, 0, 0, 0, now.Location()).Sub(now).Hours()
	}
	for n := int(c.from/24) - 1; n <= int(c.to/24)+1; n++ {
		begin, end := offset(n), offset(n+1)
		if end <= c.from || begin >= c.to {
			continue
		}
		x0, x1 := c.x(max(begin, c.from)), c.x(min(end, c.to))
		if begin > c.from {
			c.Down("day-line", x0)
		}
		if n%every == 0 && x1-x0 > room/2 {
			c.Text("axis", "middle", (x0+x1)/2, c.H-7, dayName(now, n, s.At.Trusted))
		}
	}
}

func dayName(now time.Time, n int, trusted bool) string {
	if !trusted {
		return fmt.Sprintf("%+d d", n)
	}
	return now.AddDate(0, 0, n).Format("Mon")
}

// describe says in words what the chart shows.
func describe(s *facts.Snapshot, past []Point) string {
	var b strings.Builder
	if len(past) > 1 {
		lo, hi := math.Inf(1), math.Inf(-1)
		for _, p := range past {
			if !math.IsNaN(p.SoC) {
				lo, hi = min(lo, p.SoC), max(hi, p.SoC)
			}
		}
		if lo <= hi {
			fmt.Fprintf(&b, "In the last %s the charge was between %.0f and %.0f %%. ",
				facts.Span(time.Duration(-past[0].Hours*float64(time.Hour))), 100*lo, 100*hi)
		}
	}
	if s.BeliefKnown() {
		fmt.Fprintf(&b, "Now it is %.0f %%, very likely between %.0f and %.0f %%. ", 100*s.Belief.SoC, 100*s.Belief.Low, 100*s.Belief.High)
	}
	if n := len(s.Outlook.Fan); n > 1 {
		last := s.Outlook.Fan[n-1]
		fmt.Fprintf(&b, "In %s the middle of the futures is %.0f %%, eight in ten lie between %.0f and %.0f %%. ",
			facts.Span(time.Duration(last.Hours*float64(time.Hour))), 100*last.P50, 100*last.P10, 100*last.P90)
	}
	if s.Battery.Reserve > 0 {
		fmt.Fprintf(&b, "The reserve is %.0f %%.", 100*s.Battery.Reserve)
	}
	return strings.TrimSpace(b.String())
}
