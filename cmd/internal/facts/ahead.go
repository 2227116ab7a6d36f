package facts

import (
	"fmt"
	"strings"
	"time"

	"ebbwatch/estimator/sun"
)

// DayAhead is one coming day with the night after it, as the futures say. All its numbers are of
// one outlook.
type DayAhead struct {
	Name     string    // Tue, or "tonight" before the first morning
	SunWh    float64   // expected at the battery from sunrise on; what is past of today is not in it
	Lit      bool      // a day of light belongs to it
	Date     time.Time // its midnight; zero for the rest of a night, and while nobody knows the date
	Low      float64   // charge at the low of the night, in the middle of the futures
	LowP10   float64   // and in the dull tenth of them
	Cutoff   float64   // chance that the load was cut off by the noon after, 0 to 1
	OfCutoff bool      // that chance says something: the load is fed now
}

// daysShown is how many days ahead are told: what lies further off is the usual of the season.
const daysShown = 7

// DaysAhead tells the coming days. A night ends at noon, when its low is surely past.
func DaysAhead(s *Snapshot) []DayAhead {
	if !s.OutlookKnown() {
		return nil
	}
	now := s.Local(s.At.Wall)
	begin := s.Local(s.Outlook.At)
	var days []DayAhead
	noon := time.Date(now.Year(), now.Month(), now.Day(), 12, 0, 0, 0, now.Location())
	if now.Hour() < 9 { // a night is not over yet
		days = s.addDay(days, "tonight", now, noon, now, now, begin)
	}
	for i := 0; len(days) < daysShown; i++ {
		midnight := time.Date(now.Year(), now.Month(), now.Day()+i, 0, 0, 0, 0, now.Location())
		noon := func(n int) time.Time {
			return time.Date(midnight.Year(), midnight.Month(), midnight.Day()+n, 12, 0, 0, 0, midnight.Location())
		}
		name := midnight.Format("Mon")
		if !s.At.Trusted {
			name = fmt.Sprintf("+%d d", i)
		}
		was := len(days)
		days = s.addDay(days, name, latest(now, noon(0)), noon(1), latest(now, midnight), midnight.AddDate(0, 0, 1), begin)
		if len(days) == was {
			break // the horizon
		}
		if s.At.Trusted {
			days[was].Date = midnight
		}
	}
	return days
}

// DayNames are the names by which rules ask for a coming day: of two Tuesdays it is the nearer.
func DayNames() []string {
	return []string{"today", "tomorrow", "monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"}
}

// ofDay makes the Each of a row that has a number for each coming day, under its names.
func ofDay(get func(d *DayAhead) (float64, bool)) func(*Snapshot, func(float64, ...string)) {
	return func(s *Snapshot, yield func(float64, ...string)) {
		today := s.Local(s.At.Wall).YearDay()
		for _, d := range DaysAhead(s) {
			x, known := get(&d)
			if d.Date.IsZero() || !known {
				continue
			}
			switch d.Date.YearDay() {
			case today:
				yield(x, "today")
			case s.Local(s.At.Wall).AddDate(0, 0, 1).YearDay():
				yield(x, "tomorrow")
			}
			yield(x, strings.ToLower(d.Date.Weekday().String()))
		}
	}
}

// dayRows are the forecast facts of a named day, for rules: no metric, and the page has its table.
func dayRows() []Row {
	of := []string{"day"}
	return []Row{
		{Fact: "day_sun_wh", Unit: "Wh", Group: GroupRules, Label: "Sun", Labels: of,
			Help: "Expected harvest of a coming day, of today what is left",
			Each: ofDay(func(d *DayAhead) (float64, bool) { return d.SunWh, d.Lit })},
		{Fact: "day_low_soc", Unit: "%", Group: GroupRules, Label: "Low of the night", Labels: of,
			Help: "Charge at the low of the night after a coming day, in the middle of the futures",
			Each: ofDay(func(d *DayAhead) (float64, bool) { return d.Low, true })},
		{Fact: "day_cutoff_chance", Unit: "%", Group: GroupRules, Label: "Cut off by then", Labels: of,
			Help: "Chance that the load was cut off by the noon after a coming day",
			Each: ofDay(func(d *DayAhead) (float64, bool) { return d.Cutoff, d.OfCutoff })},
	}
}

func latest(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

// addDay adds what the fan says of a night and of the light before it.
func (s *Snapshot) addDay(days []DayAhead, name string, nightFrom, nightTo, lightFrom, lightTo, begin time.Time) []DayAhead {
	d := DayAhead{Name: name, Low: 2, LowP10: 2, Lit: lightTo.After(lightFrom), OfCutoff: !s.Outlook.Dark}
	whole := false
	for _, p := range s.Outlook.Fan {
		end := begin.Add(time.Duration(p.Hours * float64(time.Hour)))
		if end.After(lightFrom) && !end.After(lightTo) {
			d.SunWh += p.SunWatts
		}
		if !end.Before(nightFrom) && !end.After(nightTo) {
			d.Low, d.LowP10, d.Cutoff = min(d.Low, p.P50), min(d.LowP10, p.P10), p.Cutoff
		}
		whole = whole || !end.Before(nightTo)
	}
	if !whole || d.Low > 1 {
		return days
	}
	return append(days, d)
}

// HourSpan is a span of hours from now.
type HourSpan struct{ From, To float64 }

// Nights are the times between sunset and sunrise within hours from now; none where place or
// clock are not known.
func Nights(s *Snapshot, from, to float64) []HourSpan {
	if !s.At.Trusted || s.Array.Latitude == 0 && s.Array.Longitude == 0 {
		return nil
	}
	const rise = -0.833 // degrees: the upper edge of the sun on the horizon, with the usual refraction
	above := func(hours float64) float64 {
		return sun.Elevation(s.At.Wall.Add(time.Duration(hours*float64(time.Hour))), s.Array.Latitude, s.Array.Longitude) - rise
	}
	var nights []HourSpan
	last := above(from)
	if last < 0 {
		nights = append(nights, HourSpan{from, to})
	}
	for h := from + 1; h <= to; h++ {
		next := above(h)
		at := h - 1 + last/(last-next)
		switch {
		case last >= 0 && next < 0:
			nights = append(nights, HourSpan{at, to})
		case last < 0 && next >= 0:
			nights[len(nights)-1].To = at
		}
		last = next
	}
	return nights
}
