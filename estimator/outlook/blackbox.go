package outlook

import (
	"math"
	"slices"
	"time"
)

// BlackBox learns the label, tilt and azimuth of a panel that nobody described, from the brightest
// hours it ever had: under a clear sky the course of the power over the day tells where the
// panel looks, and its height how large it is.
type BlackBox struct {
	Best  [24][bestKept]BestHour // by hour of the solar day, the brightest first
	Days  int                    // with light
	Known bool
	Watts float64 // label that would give this harvest, as far as 0.88 of a label is usual
	TiltDeg, AzimuthDeg,
	Miss float64 // mean error of the fit, as a share of the power
}

// BestHour is one bright hour.
type BestHour struct {
	Watts float64 // mean at the battery
	Day   int     // solar day
}

const (
	bestKept = 2
	bestAge  = 40 // days after which the sun stands too differently
	// A fit is believed after a week with light when most of the brightest hours lie on the clear
	// sky of one panel, after a month when a part of them does, at last with what there is: a
	// winter may have no clear week.
	fitWeek, fitMonth, fitAtLast = 7, 30, 60
	missWeek, missMonth          = 0.2, 0.3 // mean miss of the bright hours, see try
	fitHours                     = 5        // hours of the day that must have been bright
	above                        = 0.1      // by which an hour may exceed the clear sky
)

// take keeps the bright hours of a closed day.
func (x *BlackBox) take(d *Day) {
	lit := false
	for h := range d.Hours {
		hour := &d.Hours[h]
		if hour.Span < 0.7 || hour.Got <= 0 {
			continue
		}
		lit = true
		best := slices.DeleteFunc(append([]BestHour{{hour.Got / hour.Span, d.Date}}, x.Best[h][:]...),
			func(b BestHour) bool { return b.Watts == 0 || d.Date-b.Day > bestAge })
		slices.SortStableFunc(best, func(a, b BestHour) int {
			if a.Watts > b.Watts {
				return -1
			}
			return 1
		})
		x.Best[h] = [bestKept]BestHour{}
		copy(x.Best[h][:], best)
	}
	if lit {
		x.Days++
	}
}

// fit looks for the panel whose clear sky goes through most of the bright hours, and tells whether
// it changed what is known. All directions are tried in steps that change a day's harvest by a
// few per cent.
func (x *BlackBox) fit(m Model, air float64) bool {
	if x.Days < fitWeek || x.Known && x.Days%fitWeek != 0 || x.brightHours() < fitHours {
		return false
	}
	best := BlackBox{Miss: math.Inf(1)}
	m.Site.WattsPeak, m.Site.MPPT = 1, true
	for tilt := 0.0; tilt <= 90; tilt += 10 {
		for azimuth := 0.0; azimuth < 360 && (tilt > 0 || azimuth == 0); azimuth += 15 {
			m.Site.TiltDeg, m.Site.AzimuthDeg = tilt, azimuth
			if watts, miss := x.try(m, air); miss+prior(m.Site) < best.Miss {
				best.Miss, best.Watts, best.TiltDeg, best.AzimuthDeg = miss+prior(m.Site), watts, tilt, azimuth
			}
		}
	}
	limit := missWeek
	switch {
	case x.Known:
		limit = x.Miss
	case x.Days >= fitAtLast:
		limit = math.Inf(1)
	case x.Days >= fitMonth:
		limit = missMonth
	}
	if best.Miss >= limit {
		return false
	}
	x.Known, x.Watts, x.Miss = true, best.Watts/usualFactor, best.Miss
	x.TiltDeg, x.AzimuthDeg = best.TiltDeg, best.AzimuthDeg
	return true
}

// brightHours is how many hours of the day had much of the most power.
func (x *BlackBox) brightHours() (n int) {
	for h := range x.Best {
		if x.Best[h][0].Watts > 0.1*x.most() {
			n++
		}
	}
	return n
}

func (x *BlackBox) most() (watts float64) {
	for h := range x.Best {
		watts = max(watts, x.Best[h][0].Watts)
	}
	return watts
}

// prior leans to a panel that looks to the equator, as steep as the latitude: most do, and a few
// grey weeks tell little of the tilt.
func prior(site Site) float64 {
	south := 180.0
	if site.Latitude < 0 {
		south = 0
	}
	turned := math.Abs(math.Remainder(site.AzimuthDeg-south, 360)) / 180 * math.Sin(site.TiltDeg*math.Pi/180)
	steep := (site.TiltDeg - math.Abs(site.Latitude)) / 90
	return 0.3*turned*turned + 0.6*steep*steep
}

// point is a bright hour and what a panel of 1 W would have given in it under a clear sky.
type point struct{ got, clear float64 }

// points are the bright hours against the panel of a model.
func (x *BlackBox) points(m Model, air float64) (points []point) {
	p, nothing := m.plant(), State{}
	for h := range x.Best {
		for _, b := range x.Best[h] {
			if b.Watts == 0 {
				continue
			}
			clear := 0.0
			for _, minute := range [3]int{10, 30, 50} {
				v := p.view(p.dayStart(b.Day).Add(time.Duration(h*60+minute)*time.Minute), air, &nothing)
				w, _ := p.watts(&v, 1)
				clear += w / 3
			}
			points = append(points, point{b.Watts, max(clear, 1e-6)})
		}
	}
	return points
}

// try is the label under which the bright hours are likeliest to be the clear ones of a panel, and
// their mean miss. Below the clear sky a cloud explains it, the less the darker the hour is for the
// brightest of weeks (the miss is that of the logarithm); above it nothing does.
func (x *BlackBox) try(m Model, air float64) (watts, miss float64) {
	points := x.points(m, air)
	miss = math.Inf(1)
	for _, through := range points {
		label := through.got / through.clear
		off, sum := 0.0, 0.0
		for _, q := range points {
			weight := (q.got + label*q.clear) / 2
			if ratio := q.got / (label * q.clear); ratio > 1 {
				off += weight * min(4, (ratio-1)*(ratio-1)/(above*above))
			} else {
				off -= weight * math.Log(max(ratio, 0.02))
			}
			sum += weight
		}
		if off/sum < miss {
			watts, miss = label, off/sum
		}
	}
	return watts, miss
}
