package core

import (
	"maps"
	"math"
	"time"

	"ebbwatch/collector/reading"
	"ebbwatch/estimator/outlook"
	"ebbwatch/estimator/sun"
)

// Today counts the energy of one local day, J.
type Today struct {
	Date    string // local, 2026-01-31
	Harvest float64
	Load    float64
	Clear   float64 // what a clear sky would have given
	Sky     float64 // what the forecast sky should have given
	Untold  bool    // in some daylight no forecast told of the sky
	Held    float64 // seconds of daylight in which the charger held back
	Ran     float64 // seconds that were counted
	// Whether anything measured panel and load today: else their sums are not 0 but not known.
	PanelSeen, LoadSeen bool
}

const (
	wholeDays = 7         // so many days past are remembered
	whole     = 22 * 3600 // seconds that must have been counted of one
)

// countDay counts a span; a new day begins at local midnight, and the one before is kept.
func (m *Memory) countDay(span Today) {
	if m.Today.Date != span.Date {
		if m.Today.Ran >= whole {
			m.Days = append(m.Days, m.Today)
			m.Days = m.Days[max(0, len(m.Days)-wholeDays):]
		}
		m.Today = Today{Date: span.Date}
	}
	m.Today.add(span)
}

// told tells whether the day's harvest can be held against what its sky should have given: panel
// and sky were known all day, and the charger took all there was.
func (t *Today) told() bool { return t.PanelSeen && !t.Untold && t.Held == 0 && t.Sky > 0 }

// dayFacts are those of the days past. A ratio over a week needs most of it.
func (m *Memory) dayFacts(yesterday string, x map[string]float64) {
	var got, want float64
	n := 0
	for _, d := range m.Days {
		if d.told() {
			got, want, n = got+d.Harvest, want+d.Sky, n+1
		}
	}
	if n > wholeDays/2 {
		x["harvest_week_ratio"] = got / want
	}
	if n := len(m.Days); n > 0 && m.Days[n-1].Date == yesterday {
		d := &m.Days[n-1]
		if d.PanelSeen {
			x["harvest_yesterday_joules"] = d.Harvest
		}
		if d.told() {
			x["harvest_yesterday_ratio"] = d.Harvest / d.Sky
		}
	}
}

// add counts a span of the same day.
func (t *Today) add(span Today) {
	t.Harvest += span.Harvest
	t.Load += span.Load
	t.Clear += span.Clear
	t.Sky += span.Sky
	t.Untold = t.Untold || span.Untold
	t.Held += span.Held
	t.Ran += span.Ran
	t.PanelSeen, t.LoadSeen = t.PanelSeen || span.PanelSeen, t.LoadSeen || span.LoadSeen
}

// countToday follows the day's energy. It needs to know what day it is.
func (c *Core) countToday(r reading.Reading, dt time.Duration) {
	if !c.plausible(r.Stamp) || dt < 0 || dt > gap {
		return
	}
	f := flows(r)
	s, clear := dt.Seconds(), c.clearWatts(r)
	sky, told := c.ahead.SkyWatts(&c.memory.Outlook, r.Wall, c.forecast)
	span := Today{
		Date: r.Wall.In(c.zone()).Format(time.DateOnly), Harvest: f["pv"] * s, Load: f["load"] * s,
		Clear: clear * s, Sky: sky * s, Ran: s, Untold: !told && clear > 0,
	}
	_, span.PanelSeen = f["pv"]
	_, span.LoadSeen = f["load"]
	if c.belief.Curtailed && clear > 0 {
		span.Held = s
	}
	c.memory.countDay(span)
}

// zone is that of the owner.
func (c *Core) zone() *time.Location {
	if c.plan.Zone == nil {
		return time.UTC
	}
	return c.plan.Zone
}

// clearWatts is what the panel would give now under a clear sky, by its label.
func (c *Core) clearWatts(r reading.Reading) float64 {
	a := c.array()
	if a.WattsPeak <= 0 {
		return 0
	}
	watts, _ := a.ClearWatts(r.Wall, c.plan.Battery.Cells, known(r, reading.AirCelsius), known(r, reading.BatteryVolts))
	return watts
}

// known is a quantity of a reading, NaN where it was not measured.
func known(r reading.Reading, q reading.Quantity) float64 {
	if x, ok := r.Get(q); ok {
		return x
	}
	return math.NaN()
}

// extras are the facts that need the clock and the place.
func (c *Core) extras(now reading.Stamp) map[string]float64 {
	x := map[string]float64{"polls_thinned": 0, "writes_thinned": 0}
	if c.powerSave {
		x["polls_thinned"], x["writes_thinned"] = 1, 1
	}
	c.outageFacts(now, x)
	if s := c.memory.Sure; s.High > 0 {
		x["sure_soc_low"], x["sure_soc_high"] = s.Low, s.High
	}
	maps.Copy(x, c.external)
	if !c.plausible(now) {
		return x
	}
	c.placeFacts(now, x)
	if t := c.memory.Today; t.Date != "" {
		if t.PanelSeen {
			x["harvest_today_joules"] = t.Harvest
		}
		if t.LoadSeen {
			x["load_today_joules"] = t.Load
		}
		if c.array().WattsPeak > 0 && !c.memory.Outlook.Place.Doubted {
			x["harvest_clear_today_joules"] = t.Clear
			if t.Sky > 0 && !t.Untold {
				x["harvest_sky_today_joules"] = t.Sky
			}
		}
		x["harvest_held_today_seconds"] = t.Held
	}
	c.memory.dayFacts(now.Wall.In(c.zone()).AddDate(0, 0, -1).Format(time.DateOnly), x)
	if low, known := c.cold.least(now.Mono); known {
		x["battery_low_celsius_12h"] = low
	}
	if creep, sd, known := c.memory.Outlook.Load.Creep(); known {
		x["load_creep_ratio"], x["load_creep_ratio_sd"] = creep, sd
	}
	if celsius, known := c.memory.Outlook.Warmth.ReleaseCelsius(); known {
		x["charge_release_celsius"] = celsius
	}
	if !c.outlook.At.IsZero() {
		x["cutoff_soc"] = c.outlook.CutoffSoC
	}
	if c.plan.FalseAYear > 0 {
		x["warn_chance"] = c.memory.Outlook.Ledger.ThresholdFor(c.plan.FalseAYear)
	}
	c.adviceFacts(now.Wall, x)
	if c.forecast != nil {
		x["forecast_age_seconds"] = now.Wall.Sub(c.forecast.Issued).Seconds()
	}
	return x
}

// array is the site with its panel, as the owner described it or as it was learned.
func (c *Core) array() outlook.Site { return c.ahead.Array(&c.memory.Outlook) }

// placeFacts are those that hang on the coordinates. Where the panel's light speaks against them,
// only that is said.
func (c *Core) placeFacts(now reading.Stamp, x map[string]float64) {
	place := &c.memory.Outlook.Place
	x["outlook_standing"] = float64(c.ahead.Standing(&c.memory.Outlook))
	x["place_agrees"], x["place_doubted"] = oneIf(place.Agrees()), oneIf(place.Doubted)
	if place.LateKnown {
		x["light_late_hours"] = place.Late
	}
	if place.Doubted {
		return
	}
	a := c.array()
	x["sun_elevation_degrees"] = sun.Elevation(now.Wall, a.Latitude, a.Longitude)
	if a.WattsPeak <= 0 {
		return
	}
	x["array_watts_peak"] = a.WattsPeak
	x["array_tilt_degrees"], x["array_azimuth_degrees"] = a.TiltDeg, a.AzimuthDeg
	x["pv_clear_watts"] = c.clearWatts(c.reading(now))
	if sky, told := c.ahead.SkyWatts(&c.memory.Outlook, now.Wall, c.forecast); told {
		x["pv_sky_watts"] = sky
	}
}

func oneIf(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

// plausible tells whether the wall clock may be used for the sun's place: it is trusted, or
// at least it is not from before the last run or the first line of this program.
func (c *Core) plausible(now reading.Stamp) bool {
	floor := time.Date(2025, 1, 1, 0, 0, 0, 0, time.UTC)
	return now.Trusted || now.Wall.After(floor) && !now.Wall.Before(c.memory.Wall)
}

// coldest remembers the least temperature of each of the last twelve hours.
type coldest struct {
	hour  [12]float64
	at    [12]time.Duration // since the start, whole hours; 0 is none
	known [12]bool
}

func (c *coldest) add(mono time.Duration, celsius float64) {
	hour := mono.Truncate(time.Hour)
	i := int(hour/time.Hour) % len(c.hour)
	if !c.known[i] || c.at[i] != hour || celsius < c.hour[i] {
		c.hour[i], c.at[i], c.known[i] = celsius, hour, true
	}
}

func (c *coldest) least(mono time.Duration) (low float64, known bool) {
	for i, x := range c.hour {
		if c.known[i] && mono-c.at[i] <= 12*time.Hour && (!known || x < low) {
			low, known = x, true
		}
	}
	return low, known
}
