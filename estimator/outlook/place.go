package outlook

import (
	"math"
	"time"

	"ebbwatch/collector/reading"
	"ebbwatch/estimator/battery"
	"ebbwatch/estimator/sun"
)

// Place holds the coordinates and the clock against the panel's own light: power in computed
// night, none under a computed high sun. It is judged by solar days.
type Place struct {
	Lat, Lon  float64 // that it speaks of; other coordinates begin anew
	Day       int     // solar day in hand; 0 is none
	Began     int     // solar day of the first reading
	Lit       float64 // hours of light today
	Night     float64 // hours of light today in computed night
	Morning   float64 // hours today under a high sun without any light, before the first of it
	Evening   float64 // and after the last of it
	Seen      float64 // hours of computed day that were read
	Read      float64 // and of day and night
	Fit       int     // days in a row that agreed
	Against   int     // days in a row that spoke against it
	Agreed    bool    // the light has once agreed
	Doubted   bool    // the light speaks against the place or the clock
	Most      float64 // W, the most the panel ever gave: a scale where there is no label
	Sin, Cos  float64 // of the time of day (UTC), summed over the lit hours of today
	Late      float64 // hours by which the middle of the light came after computed noon, on a whole day
	LateKnown bool
}

// The marks of light and darkness. With the sun 3° below the horizon a panel has less than a
// thousandth of its label; with the sun at 22° the darkest overcast leaves some 3 % of a clear
// sky's light (both common practice). What lies between lit and unlit is neither.
const (
	nightBelow, dayAbove = -3.0, 22.0 // degrees
	litShare, unlitShare = 0.01, 0.002
	roughLit             = 0.04 // where the harvest is the difference of two meters
	turnPerHour          = 15.0 // degrees that the sun moves in an hour, at the most
	frost                = 6.0  // °C: below, a battery may still refuse the charge
)

// What speaks against the place, in hours of a solar day: light in computed night, at once or on
// the second such day; high sun without light both before and after the light there was.
const (
	nightAtOnce, nightAgain = 1.0, 0.15
	darkEachSide            = 0.5
	darkAgain               = 2.0       // on one side, on the second such day
	litDay                  = 0.5       // a day with as much light may agree
	readDay, readAll        = 0.8, 20.0 // of the computed day; hours of the whole day
	fitDays                 = 2         // that end a doubt
	unlitDays               = 3         // after which a panel that was never lit is no longer waited for
)

// look takes in what the panel gave over a span of hours with the sun as computed.
func (p *Place) look(m Model, v *sun.At, solarDay int, clock float64, r *reading.Reading, b battery.Belief, f flows, hours float64) {
	if p.Day == 0 || p.Lat != m.Site.Latitude || p.Lon != m.Site.Longitude {
		*p = Place{Lat: m.Site.Latitude, Lon: m.Site.Longitude, Day: solarDay, Began: solarDay, Most: p.Most}
	}
	if solarDay != p.Day {
		p.close(solarDay)
	}
	volts, _ := r.Get(reading.BatteryVolts)
	watts, lit, rough := f.harvest, litShare, true
	if direct := r.ChargePower(volts); direct.Known {
		watts, rough = direct.X, false
	}
	if rough {
		lit = roughLit
	}
	if math.IsNaN(watts) {
		return
	}
	p.Most = max(p.Most, watts)
	label := m.Site.WattsPeak
	if label <= 0 {
		label = p.Most
	}
	margin := turnPerHour * hours // the span is a mean, and its stamp may be its start or its end
	p.Read += hours
	if v.Elevation > 0 {
		p.Seen += hours
	}
	switch {
	case watts > lit*label && label > 0:
		p.Lit += hours
		p.Evening = 0
		if v.Elevation < nightBelow-margin {
			p.Night += hours
		}
		sin, cos := math.Sincos(2 * math.Pi * clock / 24)
		p.Sin, p.Cos = p.Sin+sin*hours, p.Cos+cos*hours
	case v.Elevation > dayAbove+margin/2 && !rough && watts < unlitShare*label && !withheld(r, b):
		if p.Lit == 0 {
			p.Morning += hours
		} else {
			p.Evening += hours
		}
	}
	p.Doubted = p.Doubted || p.contradicts()
}

// withheld tells whether darkness may be the charger's or the battery's doing.
func withheld(r *reading.Reading, b battery.Belief) bool {
	for _, q := range [...]reading.Quantity{reading.BatteryCelsius, reading.AirCelsius} {
		if x, ok := r.Get(q); ok && x < frost {
			return true
		}
	}
	return curtailed(r, b)
}

// contradicts tells whether this day's light cannot be that of the place.
func (p *Place) contradicts() bool {
	return p.Night >= nightAtOnce || p.Morning >= darkEachSide && p.Evening >= darkEachSide || p.Against > 0 && p.odd()
}

// odd tells whether this day's light is so strange that a second such day settles it.
func (p *Place) odd() bool {
	return p.Night >= nightAgain || p.Lit > 0 && max(p.Morning, p.Evening) >= darkAgain
}

// close judges the day in hand and begins the next.
func (p *Place) close(next int) {
	day := time.Unix(int64(p.Day)*86400, 0).UTC().YearDay()
	switch {
	case p.contradicts() || p.odd():
		p.Against, p.Fit = p.Against+1, 0
	case p.Lit >= litDay && max(p.Morning, p.Evening) < darkEachSide && p.Seen >= readDay*sun.DayLength(day, p.Lat):
		p.Fit, p.Against = p.Fit+1, 0
	}
	if p.Fit > 0 && !p.Doubted || p.Fit >= fitDays {
		p.Doubted, p.Agreed = false, true
	}
	if p.Read >= readAll && (p.Sin != 0 || p.Cos != 0) {
		middle := math.Atan2(p.Sin, p.Cos) * 24 / (2 * math.Pi)
		p.Late, p.LateKnown = math.Remainder(middle-(12-p.Lon/15), 24), true
	}
	p.Day, p.Lit, p.Night, p.Morning, p.Evening, p.Seen, p.Read, p.Sin, p.Cos = next, 0, 0, 0, 0, 0, 0, 0, 0
}

// Agrees tells whether the sun as computed may be gone by: the panel's light has agreed with it,
// or never came within days, so that its absence is worth telling.
func (p *Place) Agrees() bool {
	return !p.Doubted && (p.Agreed || p.Most <= 0 && p.Day-p.Began >= unlitDays)
}

// utcHours is the time of day, UTC.
func utcHours(t time.Time) float64 {
	t = t.UTC()
	return float64(t.Hour()) + float64(t.Minute())/60
}
