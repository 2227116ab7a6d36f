package outlook

import (
	"math"
	"time"
)

// Load is what was learned of the load: a level, its shape over the day for working days
// and for weekends, and how much the days differ.
type Load struct {
	Level  float64        // W, mean over a day; 0 before anything was seen
	Shape  [2][24]float64 // against the level, by hour of the local day; 0 where never seen
	N      [2][24]uint16
	Days   float64 // days seen, fading
	Var    float64 // of a day's mean against the level, relative
	SumW   float64 // W·h of the hour in hand
	SumH   float64
	Hour   int // hour in hand, hours since 1970 in local time; 0 is none
	DayW   float64
	DayExp float64 // what the shape and the level expected over the same hours
	DayH   float64
	Usual  float64 // W, what the level was over the last two months; 0 before a week was seen
	Since  float64 // days that Usual was learned from
}

// weekend is 1 on Saturdays and Sundays.
func weekend(local time.Time) int {
	if d := local.Weekday(); d == time.Saturday || d == time.Sunday {
		return 1
	}
	return 0
}

// shape is the load against its level at an hour; where that hour of that kind of day was
// never seen it is the other kind's, else 1.
func (l *Load) shape(kind, hour int) float64 {
	for _, k := range [2]int{kind, 1 - kind} {
		if l.N[k][hour] > 0 {
			return l.Shape[k][hour]
		}
	}
	return 1
}

// at is the expected load, W.
func (l *Load) at(local time.Time) float64 {
	return l.Level * l.shape(weekend(local), local.Hour())
}

// learn takes in the load over a short span that ends at local.
func (l *Load) learn(local time.Time, watts, hours float64) {
	h := int(math.Floor(float64(local.Unix()+zoneOffset(local)) / 3600))
	if l.Level == 0 {
		l.Level, l.Var = watts, 0.01
	}
	if l.Hour != 0 && h != l.Hour {
		l.closeHour()
		if floorDiv(h, 24) != floorDiv(l.Hour, 24) {
			l.closeDay()
		}
	}
	l.Hour = h
	l.SumW += watts * hours
	l.SumH += hours
}

func zoneOffset(t time.Time) int64 {
	_, s := t.Zone()
	return int64(s)
}

// floorDiv rounds down, so that a record from before 1970 is one too.
func floorDiv(a, b int) int { return int(math.Floor(float64(a) / float64(b))) }

func (l *Load) closeHour() {
	day := floorDiv(l.Hour, 24)
	hour, kind := l.Hour-24*day, 0
	if d := day + 4 - 7*floorDiv(day+4, 7); d == 0 || d == 6 { // 1970 began on a Thursday
		kind = 1
	}
	if l.SumH > 0.2 {
		mean := l.SumW / l.SumH
		l.DayW += mean
		l.DayExp += l.Level * l.shape(kind, hour)
		l.DayH++
		if l.Level > 0 {
			l.bend(kind, hour, mean/l.Level)
		}
	}
	l.SumW, l.SumH = 0, 0
}

func (l *Load) bend(kind, hour int, ratio float64) {
	n := l.N[kind][hour]
	if n == 0 {
		l.Shape[kind][hour] = l.shape(kind, hour)
	}
	rate := max(0.05, 1/(float64(n)+2))
	l.Shape[kind][hour] += rate * (ratio - l.Shape[kind][hour])
	if n < math.MaxUint16 {
		l.N[kind][hour]++
	}
}

// closeDay moves the level towards the day's mean: fast at first, then over about five
// days, so that creep is followed within a week.
func (l *Load) closeDay() {
	if l.DayH >= 5 && l.DayExp > 0 {
		miss := math.Log(max(l.DayW/l.DayExp, 0.2))
		miss = max(-0.7, min(0.7, miss))
		rate := max(0.2, 1/(l.Days+1.5))
		l.Level *= math.Exp(rate * miss)
		l.Var += max(0.05, 1/(l.Days+4)) * (miss*miss - l.Var)
		l.Days = min(l.Days+l.DayH/24, 60)
		l.follow()
	}
	l.DayW, l.DayExp, l.DayH = 0, 0, 0
}

// doubt is the relative error of the level as a whole, and of one day about it.
func (l *Load) doubt() (level, day float64) {
	v := max(l.Var, 1e-5)
	return math.Sqrt(0.0002 + v/(1+min(l.Days, 9))), math.Sqrt(v)
}

const (
	usualDays  = 45 // over which the usual level is followed
	creepAfter = 14 // days that must be behind it before creep is told
)

// follow moves the usual level slowly towards the level of these days.
func (l *Load) follow() {
	switch {
	case l.Days < 5 || l.Level <= 0:
		return
	case l.Usual == 0:
		l.Usual = l.Level
	}
	l.Since = min(l.Since+1, 10*usualDays)
	l.Usual *= math.Exp(max(1.0/usualDays, 1/(l.Since+1)) * math.Log(l.Level/l.Usual))
}

// creepShare is the variance of the level of these days against that of one day: it is followed
// over some five days, and a busy week is no creep.
const creepShare = 0.3

// Creep is how much the load of the last days lies above its usual, 0.1 for a tenth, and the
// standard deviation of that by how much days differ; it is not known in the first weeks. A load
// that stays up becomes the usual one in two months.
func (l *Load) Creep() (ratio, sd float64, known bool) {
	if l.Since < creepAfter || l.Usual <= 0 {
		return 0, 0, false
	}
	_, day := l.doubt()
	return l.Level/l.Usual - 1, day * math.Sqrt(creepShare+2/l.Since), true
}
