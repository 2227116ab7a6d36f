package outlook

import (
	"math"
	"time"

	"ebbwatch/collector/reading"
	"ebbwatch/estimator/sky"
)

// A battery's protection stops the charge below freezing. Many let it in again only when the cells
// are at 5 °C (common practice).
const (
	freezes     = 0.0
	releaseHigh = 5.0
	releaseLow  = 0.5
)

// learn follows the temperatures over a span of hours that ends at local.
func (w *Temperatures) learn(m Model, r *reading.Reading, hours float64, date int, local time.Time) {
	rate := 1 - math.Exp(-hours/24)
	if x, ok := r.Get(reading.AirCelsius); ok {
		if !w.AirOK {
			w.Air, w.AirOK = x, true
		}
		w.Air += rate * (x - w.Air)
	}
	x, ok := r.Get(reading.BatteryCelsius)
	if !ok {
		return
	}
	if !w.BatteryOK {
		w.Battery, w.BatteryOK = x, true
	}
	if w.Level == 0 { // not known yet, also in state of a version before it was kept
		w.Level = x
	}
	w.Battery += rate * (x - w.Battery)
	w.Level += (1 - math.Exp(-hours/6)) * (x - w.wave(local) - w.Level)
	w.Frozen = x < freezes || w.Frozen && x < max(releaseHigh, w.Release)
	if date != w.Date {
		w.closeDay(m)
		w.Date, w.DaySum, w.DayHours, w.DayWave = date, 0, 0, [2]float64{}
	}
	sin, cos := timeOfDay(local)
	w.DaySum, w.DayHours = w.DaySum+x*hours, w.DayHours+hours
	w.DayWave[0] += (x - w.Level) * cos * hours
	w.DayWave[1] += (x - w.Level) * sin * hours
}

// wave is what the hour of the day adds to the battery's temperature, K. A heavy box lags, so its
// coldest hour is learned too.
func (w *Temperatures) wave(local time.Time) float64 {
	sin, cos := timeOfDay(local)
	return w.Wave[0]*cos + w.Wave[1]*sin
}

// timeOfDay is the sine and the cosine of the local time of day.
func timeOfDay(local time.Time) (sin, cos float64) {
	return math.Sincos(2 * math.Pi * (float64(local.Hour()) + float64(local.Minute())/60) / 24)
}

const (
	wholeDay       = 12.0 // hours that a day's mean must be of
	nearlyDay      = 22.0 // and its wave
	waveRate       = 0.1
	slowShare      = 0.5 // of the innovation: how far weeks differ
	innovationDays = 45.0
	innovationN    = 12.0 // days that the usual innovation is worth
)

// closeDay learns from the mean of a day that is over.
func (w *Temperatures) closeDay(m Model) {
	if w.Date == 0 {
		return
	}
	if w.DayHours > nearlyDay {
		for i, x := range w.DayWave {
			w.Wave[i] += max(waveRate, 1/(w.Days+2)) * (max(-12, min(12, 2*x/w.DayHours)) - w.Wave[i])
		}
	}
	if w.DayHours < wholeDay {
		return
	}
	mean := w.DaySum / w.DayHours
	lat := m.Site.Latitude
	at := func(day int) time.Time { return time.Unix(int64(day)*86400, 0) }
	if w.Days == 0 {
		w.Normal, w.Innovation = m.usualAir(), sq2(sky.AirInnovation(lat))
	}
	if m.Site.Air != nil && !w.FromRecord { // a record was fetched since
		w.Normal, w.FromRecord = m.usualAir(), true
	}
	if w.LastDate == w.Date-1 {
		normal, _ := w.Normal.At(at(w.Date), lat)
		before, _ := w.Normal.At(at(w.LastDate), lat)
		added := mean - normal - sky.AirPersistence*(w.LastDay-before)
		w.Innovation += max(1/innovationDays, 1/(w.Days+innovationN)) * (added*added - w.Innovation)
	}
	w.Days++
	w.Normal = w.Normal.See(at(w.Date), lat, mean, w.Innovation)
	w.LastDay, w.LastDate = mean, w.Date
}

func sq2(x float64) float64 { return x * x }

// air is the best mean temperature of the air there is, °C.
func (w *Temperatures) air() float64 {
	switch {
	case w.AirOK:
		return w.Air
	case w.BatteryOK:
		return w.Battery
	}
	return unknownAir
}

// refusedCharge tells whether a cold battery refused the harvest just now, and counts both
// outcomes, so that a site that charges in the cold is found out, and one that lets the charge in
// as soon as it has thawed.
func (w *Temperatures) refusedCharge(r *reading.Reading, refused, charged bool, hours float64) bool {
	t, ok := r.Get(reading.BatteryCelsius)
	if ok {
		w.followRelease(t, refused && (t <= releaseLow || w.Frozen), charged, hours)
	}
	switch {
	case !ok:
		return false
	case t > releaseLow:
		if !w.Frozen {
			return false
		}
		if refused {
			w.Withheld = min(w.Withheld+hours, 100)
			return w.inhibits() > 0.3 && w.releasesLate() > 0.3
		}
		if charged && t < releaseHigh-1 {
			w.Released, w.Frozen = min(w.Released+hours, 100), false
		}
		return false
	case refused:
		w.Inhibited = min(w.Inhibited+hours, 100)
		return w.inhibits() > 0.3
	case charged && t < -releaseLow:
		w.Charged = min(w.Charged+hours, 100)
	}
	return false
}

// A release counts when the charge was refused within releaseSoon hours of daylight before it; the
// temperature of the newest releaseMany is kept, and told from releaseFew on.
const (
	releaseSoon = 1.0
	releaseMany = 6
	releaseFew  = 2
)

// followRelease learns at which temperature the protection lets the charge in again.
func (w *Temperatures) followRelease(celsius float64, refused, charged bool, hours float64) {
	w.SinceRefused += hours
	switch {
	case refused:
		w.Refusing, w.SinceRefused = true, 0
	case charged && w.Refusing:
		if w.Refusing = false; w.SinceRefused <= releaseSoon && celsius > freezes {
			w.Releases = min(w.Releases+1, releaseMany)
			w.Release += (celsius - w.Release) / w.Releases
		}
	}
}

// ReleaseCelsius is the temperature at which the battery's protection was seen to let the charge in
// again after a frost, °C.
func (w *Temperatures) ReleaseCelsius() (celsius float64, known bool) {
	return w.Release, w.Releases >= releaseFew
}

// inhibits is the chance that charging stops below freezing. Protection circuits usually
// do so (common practice); hours of charge seen below freezing speak against it.
func (w *Temperatures) inhibits() float64 {
	return (3 + w.Inhibited) / (4 + w.Inhibited + 3*w.Charged)
}

// releasesLate is the chance that the charge is let in again only at [releaseHigh]. Hours of
// charge soon after a frost speak loud against it; hours without may also be dark ones.
func (w *Temperatures) releasesLate() float64 {
	return (1 + w.Withheld/4) / (2 + w.Withheld/4 + 3*w.Released)
}

// capacityAt is the capacity at a temperature against that at 25 °C: 0.2 to 0.7 % are lost a
// kelvin (data sheets of LiFePO4 cells), 0.45 % where the belief has learned nothing else.
func capacityAt(celsius float64) float64 { return 1 - 0.0045*min(max(25-celsius, 0), 60) }

// usualAir is the normal of the temperature before the node has measured any.
func (m Model) usualAir() sky.Air {
	if m.Site.Air != nil {
		return *m.Site.Air
	}
	return sky.UsualAir(m.Site.Latitude, m.Site.Longitude, m.Site.AltitudeM)
}

// drawTemperatures samples the mean temperature of the battery on each day of each future, with
// the day's sun: eps are the standard normal parts that each day adds to its score.
func (f *Futures) drawTemperatures(m Model, s *State, p *plant, today int, eps *[numDays]*[Paths]float64, draw func() *[Paths]float64) {
	w := &s.Warmth
	known, innovation := w.Normal, w.Innovation
	if w.Days == 0 {
		known, innovation = m.usualAir(), sq2(sky.AirInnovation(m.Site.Latitude))
	}
	const keep = sky.AirPersistence
	sd := math.Sqrt(innovation)
	level := draw()
	var normal [numDays]float64
	for d := range normal {
		normal[d], _ = known.At(p.noon(today+d), m.Site.Latitude)
	}
	_, unsure := known.At(p.noon(today), m.Site.Latitude)
	// Weeks differ by more than days that forget by a fifth each day make them: the anomaly of
	// five days on is some 1.3 times what that leaves.
	unsure = math.Hypot(unsure, slowShare*sd)
	rho := sky.AirWithSun(s.Sky.Season)
	lowest := math.Inf(1)
	var own [numDays]*[Paths]float64
	for d := 1; d < numDays; d++ {
		own[d] = draw()
	}
	for i := range f.path {
		away := w.Level - normal[0]
		t := &f.path[i].celsius
		for d := range t {
			if d > 0 {
				target := unsure * level[i]
				away = target + keep*(away-target) + sd*(rho*eps[d][i]+math.Sqrt(1-rho*rho)*own[d][i])
			}
			t[d] = normal[d] + away + f.warmer[d]
			lowest = min(lowest, t[d])
			f.path[i].shrunk[d] = 1
			if w.BatteryOK {
				f.path[i].shrunk[d] = capacityAt(w.Level) / capacityAt(t[d])
			}
		}
	}
	f.freezing = w.BatteryOK && lowest-math.Hypot(w.Wave[0], w.Wave[1]) < freezes
}
