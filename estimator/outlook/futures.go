package outlook

import (
	"math"
	"math/rand/v2"
	"time"

	"ebbwatch/collector/reading"
	"ebbwatch/estimator/battery"
	"ebbwatch/estimator/sky"
)

// Paths is how many futures are drawn. Over a year of hourly outlooks the chances differed from
// those of twice as many by 0.014 (root mean square), at half the work.
const Paths = 256

const (
	steps   = int(Horizon / time.Hour)
	numDays = steps/24 + 1 // an outlook at any hour touches so many solar days
)

// Futures are sampled courses of sky, load and doubt over the horizon. The same futures
// can be run with different actions, so that what differs is the action alone.
type Futures struct {
	at                 time.Time
	battery            battery.Battery
	dark               bool                      // the load is off at the start
	light              [steps][numLevels]float64 // W at the battery by the day's clearness
	dayOf              [steps]uint8
	loadW              [steps]float64
	hourOf             [steps]uint8     // of the local day
	diurnal            [steps]float64   // K that the hour of the day adds to the battery's temperature
	warmer             [numDays]float64 // K that the forecast adds
	freezing           bool             // some future may see a battery below freezing
	path               [Paths]path
	cutSoC             float64
	backSoC            float64
	perVolt, perVoltUp [voltBins + 1]float64 // one over the battery's voltage, feeding and charging
}

// path is what is drawn for one future.
type path struct {
	soc, ah, panel, load float64
	drift                float64          // W that the meters do not tell
	back                 float64          // charge at which the load comes back, against the expected
	inhibit              bool             // charging stops below freezing
	release              float64          // °C at which it begins again
	frozen               bool             // it is stopped at the start
	celsius              [numDays]float64 // of the battery, mean of the day
	shrunk               [numDays]float64 // by what the cold divides the capacity, against now
	open                 uint8            // first day on which a covered panel is free
	level                [numDays]float64 // place between the clearness levels
	busy                 [numDays]float64 // the day's load against the expected
}

// Draw samples the futures from what is believed now. fc may be nil. The same inputs and
// seed give the same futures.
func (m Model) Draw(s *State, b battery.Belief, now time.Time, fc *reading.Forecast, seed uint64) *Futures {
	m = m.learned(s)
	p := m.plant()
	f := &Futures{at: now, battery: m.Battery, dark: s.Cutoff.Dark}
	f.fillVolts(m.Battery.Cells)
	today := p.solarDay(now)
	f.fillHours(m, s, &p, now, today, fc)
	days := m.skyAhead(s, &p, today, fc)
	f.drawPaths(m, s, b, &p, days, today, seed)
	f.ends(m, s, b)
	return f
}

// fillHours works out, for each hour ahead, the expected load and the battery's
// temperature.
func (f *Futures) fillHours(m Model, s *State, p *plant, now time.Time, today int, fc *reading.Forecast) {
	for h := range steps {
		mid := now.Add(time.Duration(h)*time.Hour + 30*time.Minute)
		f.dayOf[h] = uint8(min(numDays-1, p.solarDay(mid)-today))
		local := m.local(mid)
		f.hourOf[h] = uint8(local.Hour())
		f.loadW[h] = s.Load.at(local)
		f.diurnal[h] = s.Warmth.wave(local)
	}
	f.fillLight(s, p, today)
	f.warmByForecast(s, p, today, fc)
}

// fillLight works out, for each hour ahead, the panel's power at each clearness.
func (f *Futures) fillLight(s *State, p *plant, today int) {
	factor, _ := s.Panel.factor()
	var clearKt [numDays]float64
	for d := range numDays {
		clearKt[d] = p.clearKt(today + d)
	}
	air := s.Warmth.air()
	f.light = [steps][numLevels]float64{}
	for h := range steps {
		mid := f.at.Add(time.Duration(h)*time.Hour + 30*time.Minute)
		for _, off := range [2]time.Duration{-15 * time.Minute, 15 * time.Minute} {
			v := p.view(mid.Add(off), air, s)
			for k, w := range p.levels(&v, clearKt[f.dayOf[h]]) {
				f.light[h][k] += factor * w / 2
			}
		}
	}
}

// warmByForecast moves the temperatures by as much as the forecast says they will change.
func (f *Futures) warmByForecast(s *State, p *plant, today int, fc *reading.Forecast) {
	if fc == nil || !s.Warmth.BatteryOK {
		return
	}
	var byDay, n [numDays]float64
	for _, x := range fc.Hours {
		if d := p.solarDay(x.Start.Add(30*time.Minute)) - today; d >= 0 && d < numDays && !math.IsNaN(x.AirCelsius) {
			byDay[d] += x.AirCelsius
			n[d]++
		}
	}
	first := math.NaN()
	for d := range byDay {
		if n[d] >= 12 {
			x := byDay[d] / n[d]
			if math.IsNaN(first) {
				first = x
			}
			f.warmer[d] = x - first
		} else if d > 0 {
			f.warmer[d] = f.warmer[d-1]
		}
	}
}

// skyAhead is the distribution of the coming days' scores: the process, what today's light
// has shown so far, and the forecast.
func (m Model) skyAhead(s *State, p *plant, today int, fc *reading.Forecast) sky.Days {
	proc := s.Sky
	if s.SkyDay != 0 {
		if s.Day.Date == s.SkyDay {
			if seen := m.observeDay(s, p); !seen.covered {
				proc = seen.teach(proc)
			}
		}
		for range min(max(today-s.SkyDay, 0), 90) {
			proc = proc.Next()
		}
	}
	return proc.Ahead(numDays).Given(m.forecastDays(s, p, fc, today, numDays), s.Skill.Tie.Correlation())
}

// drawPaths samples each path's own quantities. Every quantity is spread evenly over its
// distribution (a Latin hypercube), which leaves far less to chance than independent draws.
func (f *Futures) drawPaths(m Model, s *State, b battery.Belief, p *plant, days sky.Days, today int, seed uint64) {
	rng := rand.New(rand.NewPCG(seed, 0x6562627761746368))
	q := quantiles()
	draw := func() *[Paths]float64 {
		c := q
		rng.Shuffle(Paths, func(i, j int) { c[i], c[j] = c[j], c[i] })
		return &c
	}
	f.drawDoubt(m, s, b, draw)
	var eps, busy [numDays]*[Paths]float64
	for d := range numDays {
		eps[d], busy[d] = draw(), draw()
	}
	factor := days.Factor()
	tables := m.levelTables(p, today)
	_, loadDay := s.Load.doubt()
	for i := range f.path {
		w := &f.path[i]
		for d := range numDays {
			z := days.Mean[d]
			for k := 0; k <= d; k++ {
				z += factor[d][k] * eps[k][i]
			}
			w.level[d] = tables[d].at(z)
			w.busy[d] = w.load * math.Exp(loadDay*busy[d][i]-loadDay*loadDay/2)
		}
	}
	for i, z := range draw() {
		f.path[i].back = backDoubt * z
	}
	f.drawTemperatures(m, s, p, today, &eps, draw)
	f.drawCover(s, rng)
}

// drawDoubt samples what is not known of the present.
func (f *Futures) drawDoubt(m Model, s *State, b battery.Belief, draw func() *[Paths]float64) {
	soc, ah, panel, load, drift, late := draw(), draw(), draw(), draw(), draw(), draw()
	up, down := band(b)
	_, panelSD := s.Panel.factor()
	panelSD = min(panelSD, 0.15) * 0.25 // most of it is shared with the score of the sky: the product is what was seen
	loadSD, _ := s.Load.doubt()
	usable, usableSD := b.UsableAh, orZero(b.UsableAhSD)
	if !(usable > 0) {
		usable, usableSD = 0.9*m.Battery.CapacityAh, 0.09*m.Battery.CapacityAh
	}
	driftSD := orZero(b.DrainSD)
	inhibit, releasesLate := s.Warmth.inhibits(), s.Warmth.releasesLate()
	release, learned := s.Warmth.ReleaseCelsius()
	for i := range f.path {
		sd := up
		if soc[i] < 0 {
			sd = down
		}
		f.path[i] = path{
			soc:     max(0, min(1, b.SoC+sd*soc[i])),
			ah:      max(0.3*usable, usable+usableSD*ah[i]),
			panel:   math.Exp(panelSD * panel[i]),
			load:    math.Exp(loadSD * load[i]),
			drift:   driftSD * drift[i],
			inhibit: (float64(i)+0.5)/Paths < inhibit,
			release: releaseLow,
			frozen:  s.Warmth.Frozen,
		}
		switch {
		case learned:
			f.path[i].release = release
		case sky.Phi(late[i]) < releasesLate:
			f.path[i].release = releaseHigh
		}
	}
}

// band is how far the charge may be above and below its mean, as standard deviations: the
// belief's own, else what the ends of its band say.
func band(b battery.Belief) (up, down float64) {
	if b.SoCSD > 0 {
		return b.SoCSD, b.SoCSD
	}
	return orZero((b.High - b.SoC) / 1.645), orZero((b.SoC - b.Low) / 1.645)
}

// drawCover lets a panel that gives nothing come free: the longer it has lain covered, the
// longer it may yet (Laplace's rule of succession).
func (f *Futures) drawCover(s *State, rng *rand.Rand) {
	if s.Covered == 0 {
		return
	}
	stay := float64(s.Covered) / float64(s.Covered+1)
	for i := range f.path {
		for f.path[i].open = 0; int(f.path[i].open) < numDays && rng.Float64() < stay; {
			f.path[i].open++
		}
	}
}

// quantiles are evenly spread standard normal values.
func quantiles() (q [Paths]float64) {
	for i := range q {
		q[i] = sky.Probit((float64(i) + 0.5) / Paths)
	}
	return q
}

// levelTable turns a score into the place between the clearness levels.
type levelTable [tableBins + 1]float64

const (
	tableBins = 64
	tableEnd  = 3.2 // scores beyond are as rare as one day in 1400
)

func (t *levelTable) at(z float64) float64 {
	x := (max(-tableEnd, min(tableEnd, z)) + tableEnd) * (tableBins / (2 * tableEnd))
	i := min(tableBins-1, int(x))
	f := x - float64(i)
	return t[i] + f*(t[i+1]-t[i])
}

func (m Model) levelTables(p *plant, today int) (out [numDays]levelTable) {
	climate := m.climate()
	for d := range numDays {
		spread := climate.At(p.noon(today + d))
		for i := range out[d] {
			z := -tableEnd + 2*tableEnd*float64(i)/tableBins
			out[d][i] = place(&p.kts, spread.Clearness(z))
		}
	}
	return out
}

// place is where a clearness lies between the levels; below the first it is negative, down
// to -1 for no light at all.
func place(kts *[numLevels]float64, kt float64) float64 {
	if kt < kts[0] {
		return kt/kts[0] - 1
	}
	for k := 1; k < numLevels; k++ {
		if kt < kts[k] {
			return float64(k-1) + (kt-kts[k-1])/(kts[k]-kts[k-1])
		}
	}
	return numLevels - 1
}
