package web

import (
	"fmt"
	"math"
	"strings"
	"time"

	"ebbwatch/cmd/internal/facts"
)

// Point is one moment of the past. A charge that is not known is NaN and leaves a gap.
type Point struct {
	Hours          float64 // before now, so never positive
	SoC, Low, High float64 // 0 to 1
}

// chart is the charge of the past and its fan of futures, ready to be drawn. It is drawn
// once for wide and once for narrow screens, so that its letters stay legible on both.
type chart struct {
	ID                          string
	W, H                        float64
	Left, Right, Top, Bottom    float64 // the edges of the plot
	Mid                         float64 // its height in the middle
	PastBand, PastLine          string
	FanBand, FanLine            string
	NowX, ReserveY, CutoffY     float64
	ReserveText, CutoffText     string
	Levels                      []tick
	Days                        []day
	Title, Desc                 string
	HasReserve, HasPast, HasFan bool
	from, to                    float64 // hours
	ReserveTextY, CutoffTextY   float64
}

type tick struct {
	Y    float64
	Text string
}

// day is one local day: a line at its midnight and its name in its middle.
type day struct {
	X, TextX float64
	Line     bool
	Text     string
}

// newChart lays a chart out; false when there is nothing to draw yet.
func newChart(s *facts.Snapshot, past []Point, id string, w, h float64) (chart, bool) {
	c := chart{ID: id, W: w, H: h, Left: 44, Right: w - 10, Top: 22, Bottom: h - 40, Title: "Charge of the battery"}
	c.Mid = (c.Top + c.Bottom) / 2
	fan := s.Outlook.Fan
	if len(past) < 2 && len(fan) < 2 {
		return c, false
	}
	c.from, c.to = -12, 12
	for _, p := range past {
		c.from = max(min(c.from, p.Hours), -168)
	}
	if len(fan) > 0 {
		c.to = max(c.to, fan[len(fan)-1].Hours)
	}
	c.NowX = c.x(0)
	c.PastLine, c.PastBand = c.past(past)
	c.FanLine, c.FanBand = c.fan(s)
	c.HasPast, c.HasFan = c.PastLine != "", c.FanLine != ""
	for _, y := range []float64{0, 0.25, 0.5, 0.75, 1} {
		c.Levels = append(c.Levels, tick{c.y(y), fmt.Sprintf("%.0f", 100*y)})
	}
	c.limits(s)
	c.Days = c.days(s)
	c.Desc = describe(s, past)
	return c, true
}

func (c *chart) x(hours float64) float64 {
	return c.Left + (c.Right-c.Left)*(hours-c.from)/(c.to-c.from)
}

func (c *chart) y(soc float64) float64 {
	return c.Bottom - (c.Bottom-c.Top)*min(max(soc, 0), 1)
}

// step thins points that would fall on the same pixel.
func (c *chart) step() float64 { return 1.5 * (c.to - c.from) / (c.Right - c.Left) }

// past draws line and band, broken where nothing was known for three hours.
func (c *chart) past(points []Point) (line, band string) {
	var run []Point
	last := math.Inf(-1)
	flush := func() {
		if len(run) > 1 {
			l, b := c.run(run)
			line, band = line+l, band+b
		}
		run = nil
	}
	for _, p := range points {
		if p.Hours < c.from || p.Hours > 0 || math.IsNaN(p.SoC) {
			continue
		}
		if p.Hours-last > 3 {
			flush()
		}
		if len(run) > 0 && p.Hours-last < c.step() {
			continue
		}
		run, last = append(run, p), p.Hours
	}
	flush()
	return line, band
}

func (c *chart) fan(s *facts.Snapshot) (line, band string) {
	var run []Point
	last := math.Inf(-1)
	age := s.OutlookAge().Hours()
	for _, p := range s.Outlook.Fan {
		if h := p.Hours - age; h >= 0 && h-last >= c.step() {
			run, last = append(run, Point{h, p.P50, p.P10, p.P90}), h
		}
	}
	if len(run) < 2 {
		return "", ""
	}
	return c.run(run)
}

// run draws one unbroken stretch: a line through the middle and the closed band around it.
func (c *chart) run(points []Point) (line, band string) {
	var l, up, down strings.Builder
	for i, p := range points {
		move := "L"
		if i == 0 {
			move = "M"
		}
		fmt.Fprintf(&l, "%s%.1f %.1f", move, c.x(p.Hours), c.y(p.SoC))
		fmt.Fprintf(&up, "%s%.1f %.1f", move, c.x(p.Hours), c.y(p.High))
		back := points[len(points)-1-i]
		fmt.Fprintf(&down, "L%.1f %.1f", c.x(back.Hours), c.y(back.Low))
	}
	return l.String(), up.String() + down.String() + "Z"
}

// limits places the lines of reserve and cut-off. The cut-off is a voltage under load; as
// a charge it is what the outlook says, and about empty while that is not known.
func (c *chart) limits(s *facts.Snapshot) {
	cut, known := s.Extra["cutoff_soc"]
	c.CutoffY, c.CutoffText = c.y(cut), "cut-off, about empty"
	if known {
		c.CutoffText = fmt.Sprintf("cut-off, about %.0f %%", 100*cut)
	}
	c.CutoffTextY = c.CutoffY - 4
	if r := s.Battery.Reserve; r > 0 {
		c.HasReserve, c.ReserveY, c.ReserveText = true, c.y(r), fmt.Sprintf("reserve %.0f %%", 100*r)
		c.ReserveTextY = c.ReserveY - 4
	}
}

// days are the local days between the ends, named where there is room; without a trusted
// clock, days from now.
func (c *chart) days(s *facts.Snapshot) []day {
	now := s.Local(s.At.Wall)
	room := 24 * (c.Right - c.Left) / (c.to - c.from)
	every := max(1, int(math.Ceil(34/room)))
	offset := func(n int) float64 {
		if !s.At.Trusted {
			return 24 * float64(n)
		}
		y, m, d := now.Date()
		return time.Date(y, m, d+n, 0, 0, 0, 0, now.Location()).Sub(now).Hours()
	}
	var days []day
	for n := int(c.from/24) - 1; n <= int(c.to/24)+1; n++ {
		begin, end := offset(n), offset(n+1)
		if end <= c.from || begin >= c.to {
			continue
		}
		x0, x1 := c.x(max(begin, c.from)), c.x(min(end, c.to))
		d := day{X: x0, Line: begin > c.from, TextX: (x0 + x1) / 2}
		if n%every == 0 && x1-x0 > room/2 {
			d.Text = dayName(now, n, s.At.Trusted)
		}
		days = append(days, d)
	}
	return days
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
