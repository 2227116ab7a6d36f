package outlook

import (
	"math"
	"time"

	"ebbwatch/collector/reading"
	"ebbwatch/estimator/sky"
	"ebbwatch/estimator/sun"
)

// KeepForecast remembers a forecast, so that its bias and error can be learned when its days have
// come. It is to be called once for each new issue; the same issue again changes nothing.
func (m Model) KeepForecast(s State, fc *reading.Forecast) State {
	if fc == nil {
		return s
	}
	p := m.plant()
	for _, w := range m.dayScores(&p, fc) {
		if w.cover < 0.9 || w.day < s.Day.Date {
			continue
		}
		pend := s.pending(w.day)
		if pend.Day != w.day {
			*pend = Pending{Day: w.day}
		}
		pend.Score[w.lead], pend.Known[w.lead] = w.score, true
	}
	return s
}

// dayScore is what one issue says of one solar day.
type dayScore struct {
	day, lead int
	score     float64
	cover     float64 // share of the day's light that the issue speaks of
}

// dayScores sums an issue's hours into scores of days.
func (m Model) dayScores(p *plant, fc *reading.Forecast) []dayScore {
	issued := p.solarDay(fc.Issued)
	var top, got [sky.Leads]float64
	for _, h := range fc.Hours {
		mid := h.Start.Add(30 * time.Minute)
		lead := p.solarDay(mid) - issued
		if lead < 0 || lead >= sky.Leads {
			continue
		}
		if ghi, up, ok := m.hourGHI(h, mid); ok {
			top[lead] += up
			got[lead] += ghi
		}
	}
	var out []dayScore
	for lead := range sky.Leads {
		noon := p.noon(issued + lead)
		whole := 1000 * sun.DailyExtraterrestrial(noon.YearDay(), m.Site.Latitude)
		if whole <= 0 || top[lead] < 0.05*whole {
			continue
		}
		out = append(out, dayScore{
			day: issued + lead, lead: lead, cover: top[lead] / whole,
			score: m.climate().At(noon).Score(got[lead] / top[lead]),
		})
	}
	return out
}

// hourGHI is the irradiance of one forecast hour and that above the air, W/m². Where only
// the cloud cover is forecast, the clear sky is dimmed by it.
func (m Model) hourGHI(h reading.ForecastHour, mid time.Time) (ghi, top float64, ok bool) {
	a := sun.Look(mid, m.Site.Latitude, m.Site.Longitude, m.Site.AltitudeM)
	switch {
	case !math.IsNaN(h.GHI):
		return max(0, h.GHI), a.Top, true
	case !math.IsNaN(h.CloudRatio):
		return a.Clear * sun.Cloudy(h.CloudRatio), a.Top, true
	}
	return 0, 0, false
}

// forecastDays turns a forecast into observations of the days from today on, with what earlier
// issues said of the same days.
func (m Model) forecastDays(s *State, p *plant, fc *reading.Forecast, today, days int) []sky.DayForecast {
	if fc == nil {
		return nil
	}
	var out []sky.DayForecast
	for _, d := range m.dayScores(p, fc) {
		i := d.day - today
		if i < 0 || i >= days || d.cover < 0.3 || i > 0 && d.cover < 0.8 {
			continue
		}
		word := func(lead int, score float64) sky.DayForecast {
			return sky.DayForecast{Day: i, Issue: d.day - lead, Score: score, Regression: s.Skill.Regression(lead)}
		}
		out = append(out, word(d.lead, d.score))
		pend := s.pending(d.day)
		for lead := d.lead + 1; lead < sky.Leads && pend.Day == d.day; lead++ {
			if pend.Known[lead] {
				out = append(out, word(lead, pend.Score[lead]))
			}
		}
	}
	return out
}

// SkyWatts is what the panel should give at a moment under the sky that a forecast told, W
// at the battery, as this panel was learned to give. It is not known where the forecast does
// not speak of that hour: the panel alone cannot tell a dark sky from snow.
func (m Model) SkyWatts(s *State, at time.Time, fc *reading.Forecast) (watts float64, known bool) {
	m = m.learned(s)
	p := m.plant()
	v := p.view(at, s.Warmth.air(), s)
	if v.Top <= 0 {
		return 0, true
	}
	if fc == nil || v.Clear <= 0 {
		return 0, false
	}
	for _, h := range fc.Hours {
		if at.Before(h.Start) || !at.Before(h.Start.Add(time.Hour)) {
			continue
		}
		mid := h.Start.Add(30 * time.Minute)
		ghi, _, ok := m.hourGHI(h, mid)
		clear := sun.Look(mid, m.Site.Latitude, m.Site.Longitude, m.Site.AltitudeM).Clear
		if !ok || clear <= 0 {
			return 0, false
		}
		factor, _ := s.Panel.factor()
		total, _ := p.watts(&v, ghi/clear)
		return factor * total, true
	}
	return 0, false
}
