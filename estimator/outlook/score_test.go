package outlook

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"time"

	"ebbwatch/collector/reading"
	"ebbwatch/estimator/battery"
	"ebbwatch/estimator/sky"
	"ebbwatch/estimator/sun"
)

func sortFloats(x []float64) { slices.Sort(x) }

// rankDays gives each day its normal score among the days of its month.
func (w *weather) rankDays() {
	months := w.byMonth()
	w.rank = make([]float64, len(w.ghi))
	for i := range w.ghi {
		s := months[w.day(i).Month()-1]
		n, _ := slices.BinarySearch(s, w.kt(i))
		w.rank[i] = sky.Probit((float64(n) + 0.5) / float64(len(s)))
	}
}

// usualForecast is the correlation with the truth of the synthetic forecast, days 1 to 7.
func usualForecast() [8]float64 { return [8]float64{0.97, 0.93, 0.88, 0.80, 0.70, 0.58, 0.45, 0.35} }

// forecaster makes forecasts of known skill: the true score of a day, blurred, turned back
// into light through the month's own spread.
type forecaster struct {
	w      *weather
	months [12][]float64
	blur   [][8]float64
}

func (w *weather) forecaster(seed uint64) *forecaster {
	rng := rand.New(rand.NewPCG(seed, 2))
	f := &forecaster{w: w, months: w.byMonth(), blur: make([][8]float64, len(w.ghi))}
	for i := range f.blur {
		for k := range f.blur[i] {
			f.blur[i][k] = rng.NormFloat64()
		}
	}
	return f
}

// issue is the forecast of noon of a day, for the seven days after it.
func (f *forecaster) issue(d int) *reading.Forecast {
	out := &reading.Forecast{Issued: f.w.day(d).Add(12 * time.Hour)}
	r := usualForecast()
	for lead := 1; lead <= 7 && d+lead < len(f.w.ghi); lead++ {
		day := f.w.day(d + lead)
		z := r[lead]*f.w.rank[d+lead] + math.Sqrt(1-r[lead]*r[lead])*f.blur[d][lead]
		s := f.months[day.Month()-1]
		kt := s[min(len(s)-1, int(sky.Phi(z)*float64(len(s))))]
		clear := sun.ClearIndex(day.YearDay(), f.w.lat, 0)
		for h := range 24 {
			start := day.Add(time.Duration(h) * time.Hour)
			ghi := 0.0
			for q := range 4 {
				ghi += sun.Look(start.Add(time.Duration(q*15+7)*time.Minute), f.w.lat, f.w.lon, 0).Clear / 4
			}
			out.Hours = append(out.Hours, reading.ForecastHour{Start: start, GHI: ghi * kt / clear, CloudRatio: math.NaN(), AirCelsius: math.NaN()})
		}
	}
	return out
}

// believer stands in for the battery's estimator: the truth with an error that wanders, is
// forgotten at a true full, and is owned up to.
type believer struct {
	rng         *rand.Rand
	soc, ah     float64 // errors
	socSD, ahSD float64
}

func (e *believer) believe(n node, x hour) battery.Belief {
	const day = 24.0
	e.soc += -e.soc/(5*day) + e.socSD*math.Sqrt(2/(5*day))*e.rng.NormFloat64()
	if x.soc > 0.99 {
		e.soc *= 0.5
	}
	usable := n.ah * n.capacity * (1 - 0.006*max(0, min(45, 25-x.celsius)))
	soc := max(0, min(1, x.soc+e.soc))
	sd := max(e.socSD, 0.004)
	return battery.Belief{
		SoC: soc, Low: max(0, soc-1.645*sd), High: min(1, soc+1.645*sd), SoCSD: sd,
		UsableAh: usable * (1 + e.ah), UsableAhSD: usable * max(e.ahSD, 0.003), MilliOhms: math.NaN(),
		Curtailed: x.held, Full: x.soc > 0.995, NetWatts: x.net, LoadWatts: x.load,
	}
}

// row is one look ahead and what came.
type row struct {
	day      int
	p, came  [5]float64
	straight [5]float64
	base     [5]float64 // rate of the month
}

// trial is one node's life with the outlook beside it.
type trial struct {
	rows    []row
	cuts    []int // hours at which the load went
	looks   []look
	outages float64 // a year
	charge  chargeScore
}

// chargeScore is how well the charge was believed when it was low.
type chargeScore struct{ n, miss, square, held float64 }

func (c *chargeScore) add(b battery.Belief, soc float64) {
	c.n++
	c.miss += b.SoC - soc
	c.square += sq(b.SoC - soc)
	c.held += oneIf(soc >= b.Low && soc <= b.High)
}

func (c chargeScore) String() string {
	return fmt.Sprintf("charge below 0.6 believed with bias %.3f, rms %.3f, %.0f %% within the band", c.miss/c.n, math.Sqrt(c.square/c.n), 100*c.held/c.n)
}

// look is a chance at an hour, for the alarms.
type look struct {
	hour     int
	within   [5]float64
	straight float64 // 1 when the straight line over the last day ends within 120 h
	dark     bool
}

// study settings.
type setting struct {
	node     node
	forecast bool
	exact    bool // charge and capacity are known exactly
	blind    bool // no monthly means are given
	every    int  // hours between looks beside that of 18 h
	thin     int  // only every so many days; 0 is every day
	whole    bool // the battery's own estimator instead of a stand-in, readings every 15 minutes
	seed     uint64
}

// reading is what the node's meters say of an hour, stamped at its end.
func (x *hour) reading(at time.Time) reading.Reading {
	r := reading.Reading{Stamp: reading.Stamp{Mono: time.Duration(at.Unix()) * time.Second, Wall: at, Trusted: true}}
	r.Set(reading.BatteryVolts, x.volts)
	r.Set(reading.BatteryAmps, x.net/x.volts)
	r.Set(reading.LoadWatts, x.load)
	r.Set(reading.PanelWatts, x.harvest/reading.ConverterShare)
	r.Set(reading.BatteryCelsius, x.celsius)
	return r
}

// try lives through the record with a model that learns only from the past. The first
// skipped days teach and are not scored.
func (w *weather) try(set setting, s *shapes, skip int) trial {
	n := set.node
	hours := w.truth(n, s, set.seed)
	m := Model{
		Site:    Site{Latitude: w.lat, Longitude: w.lon, WattsPeak: n.watts, TiltDeg: n.tilt, AzimuthDeg: n.azimuth, MPPT: true, Zone: time.UTC},
		Battery: battery.Battery{CapacityAh: n.ah, Cells: 4, Reserve: 0.2, CutoffVolts: 11.6},
	}
	if r := w.record; r != nil && !set.blind { // other years than those that are lived
		m.Site.Insolation = r.insolation(len(r.ghi))
		m.Site.Air = r.normal()
	} else if !set.blind {
		m.Site.Insolation = w.insolation(10)
	}
	e := &believer{rng: rand.New(rand.NewPCG(set.seed, 3))}
	if !set.exact {
		e.socSD, e.ahSD = 0.03, 0.04
		e.ah = 0.04 * e.rng.NormFloat64()
	}
	battery := battery.Model{Battery: m.Battery}
	battery.Battery.InitialSoC = math.NaN()
	inner := battery.Start()
	fc := w.forecaster(set.seed)
	t := trial{cuts: cutsOf(hours)}
	t.outages = float64(len(t.cuts)) / (float64(len(hours)) / 8766)
	state := m.Start()
	var issue *reading.Forecast
	for h := range hours {
		at := w.first.Add(time.Duration(h+1) * time.Hour)
		b := e.believe(n, hours[h])
		if set.whole {
			for q := 1; q <= 4; q++ {
				r := hours[h].reading(at.Add(time.Duration(q-4) * 15 * time.Minute))
				inner = battery.Step(inner, r)
				b = battery.Belief(&inner)
				state = m.Step(state, r, b)
			}
		} else {
			state = m.Step(state, hours[h].reading(at), b)
		}
		if h%24 == w.sunset() && hours[h].soc < 0.6 {
			t.charge.add(b, hours[h].soc)
		}
		if set.forecast && h%24 == 12 {
			issue = fc.issue(h / 24)
			state = m.KeepForecast(state, issue)
		}
		d := h / 24
		if d < skip || h+240 >= len(hours) {
			continue
		}
		daily := h%24 == w.sunset()
		if !daily && (set.every == 0 || h%set.every != 0) || set.thin > 1 && d%set.thin != 0 {
			continue
		}
		if summer := math.Cos(2*math.Pi*float64(w.day(d).YearDay()-187)/365) * w.lat; summer > 0.5*math.Abs(w.lat) && n.summerSafe(hours, h) {
			continue // nothing can happen within the week: no chance, no outage
		}
		o := m.Project(&state, b, at, issue, uint64(h))
		state = m.Record(state, o)
		t.looks = append(t.looks, look{
			hour: h, within: o.Cutoff.Within, dark: hours[h].dark,
			straight: oneIf(hours[h].soc+5*(hours[h].soc-hours[h-24].soc) <= 0.02),
		})
		if daily && !hours[h].dark {
			t.rows = append(t.rows, rowOf(d, h, o, hours, t.cuts))
		}
	}
	t.baseRates(w)
	return t
}

// baseRates tells each row what its month had.
func (t *trial) baseRates(w *weather) {
	for span := range (row{}).came {
		var base, n [13]float64
		for _, r := range t.rows {
			m := w.day(r.day).Month()
			base[m] += r.came[span]
			n[m]++
		}
		for i := range t.rows {
			m := w.day(t.rows[i].day).Month()
			t.rows[i].base[span] = base[m] / n[m]
		}
	}
}

// summerSafe tells whether the charge stays above 60 % for the next ten days: such days are
// left out to save time. It looks into the future only to drop days whose outcome is no
// outage; the study says how many were kept.
func (n node) summerSafe(hours []hour, h int) bool {
	for i := h; i < h+240; i += 3 {
		if hours[i].soc < 0.6 {
			return false
		}
	}
	return true
}

func cutsOf(hours []hour) (cuts []int) {
	for h := 1; h < len(hours); h++ {
		if hours[h].dark && !hours[h-1].dark {
			cuts = append(cuts, h)
		}
	}
	return cuts
}

func rowOf(d, h int, o Outlook, hours []hour, cuts []int) row {
	r := row{day: d}
	next := math.MaxInt
	if i, _ := slices.BinarySearch(cuts, h+1); i < len(cuts) {
		next = cuts[i]
	}
	slope := (hours[h].soc - hours[h-24].soc) / 24
	for i, within := range Withins() {
		r.p[i] = o.Cutoff.Within[i]
		if next-h <= within {
			r.came[i] = 1
		}
		if hours[h].soc+slope*float64(within) <= 0.02 {
			r.straight[i] = 1
		}
	}
	return r
}

// score is how good a set of rows was for one span.
type score struct {
	skill, straight float64
	rate            float64
	bins            [5]struct{ n, p, came float64 }
}

func scoreOf(w *weather, rows []row, span int) score {
	var base, n [13]float64
	for _, r := range rows {
		m := w.day(r.day).Month()
		base[m] += r.came[span]
		n[m]++
	}
	var out score
	var got, ref, line float64
	for _, r := range rows {
		m := w.day(r.day).Month()
		b := base[m] / n[m]
		got += sq(r.p[span] - r.came[span])
		line += sq(r.straight[span] - r.came[span])
		ref += sq(b - r.came[span])
		out.rate += r.came[span] / float64(len(rows))
		bin := &out.bins[min(4, int(r.p[span]*5))]
		bin.n++
		bin.p += r.p[span]
		bin.came += r.came[span]
	}
	out.skill, out.straight = 1-got/ref, 1-line/ref
	return out
}

func sq(x float64) float64 { return x * x }

func (s score) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, "skill %5.2f (straight line %6.2f, came %4.1f %%) ", s.skill, s.straight, 100*s.rate)
	for _, x := range s.bins {
		if x.n > 0 {
			fmt.Fprintf(&b, " %.2f→%.2f/%.0f", x.p/x.n, x.came/x.n, x.n)
		}
	}
	return b.String()
}
