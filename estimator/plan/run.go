package plan

import (
	"math"
	"math/rand/v2"

	"ebbwatch/estimator/outlook"
)

// Try is the kit with something changed. The zero value of a field changes nothing.
type Try struct {
	Panel    float64  // times the panel
	Battery  float64  // times the battery
	Load     float64  // times the load
	Less     float64  // W taken off all day
	Night    [24]bool // local hours in which what may be shed is taken off
	Forecast bool     // only in nights before which the forecast sees the reserve in danger
	Warm     float64  // the battery is kept at this or above, °C, so that it always takes charge; 0 is not at all
	Takes    bool     // the battery takes charge below freezing
}

func or1(x float64) float64 {
	if x == 0 {
		return 1
	}
	return x
}

// Tally is what came of one year.
type Tally struct {
	Demand, Served float64     // Wh
	Array          float64     // Wh that the charger gave: to the load and the battery
	Possible       [12]float64 // Wh that it could have given, by month
	Refused        [12]float64 // Wh that a battery below freezing did not take, by month
	Asked, Got     [12]float64 // Wh of load, by month
	Dark           [12]float64 // hours, by month
	DarkHours      float64
	Nights         int // noon to noon, with a dark hour
	Longest        int // dark hours in a row
	First          int // day of the first dark hour; -1 when there is none
	Lowest         float32
}

// LLP is the loss of load of the year, a share.
func (t *Tally) LLP() float64 {
	if t.Demand == 0 {
		return 0
	}
	return 1 - t.Served/t.Demand
}

// runner lives through years with one try.
type runner struct {
	y         *Year
	hourly    *outlook.HourlyModel
	try       Try
	load      [24]float32 // W by local hour
	shed      [24]float32
	perAh     [Days]float64
	cut, back float64
	gain      float32
	swing     [24]float32 // of the battery about the day's mean, by solar hour
	coolest   float32     // of them
	inhibit   bool        // the cold stops the charge
	reserve   float32
}

// swing of the battery in its box over a day when nothing better is known, K either way.
const usualSwing = 2.0

func (y *Year) runner(t Try) *runner {
	r := &runner{y: y, try: t, gain: float32(or1(t.Panel)), reserve: float32(y.kit.Battery.Reserve)}
	for h := range 24 {
		r.load[h] = float32(max(0, y.kit.Load.Watts[h]*or1(t.Load)-t.Less))
		if t.Night[h] {
			r.shed[h] = min(r.load[h], float32(y.kit.Load.Shed[h]*or1(t.Load)))
		}
	}
	scale := or1(t.Battery)
	battery, belief := y.kit.belief(scale, 15)
	state := y.kit.state()
	state.Load.Level = 0
	for _, w := range r.load {
		state.Load.Level += float64(w) / 24
	}
	r.hourly = outlook.Model{Site: y.kit.Site, Battery: battery}.Hourly(&state, belief)
	r.cut, r.back = r.hourly.Ends()
	for d := range Days {
		r.perAh[d] = 1 / (float64(y.ah[d]) * scale)
	}
	weather := &y.kit.Weather
	r.inhibit = len(weather.AirCelsius) == 12 && !weather.NoInhibit && !t.Takes && t.Warm <= 0
	for h := range 24 {
		sin, cos := math.Sincos(2 * math.Pi * (float64(h) + 0.5) / 24)
		r.swing[h] = float32(-usualSwing * math.Cos(2*math.Pi*(float64(h)+0.5-4)/24))
		if wave := state.Warmth.Wave; state.Warmth.Days > 0 {
			r.swing[h] = float32(wave[0]*cos + wave[1]*sin)
		}
		r.coolest = min(r.coolest, r.swing[h])
	}
	return r
}

// demand is the load of a day, Wh, nothing shed.
func (r *runner) demand() (wh float64) {
	for _, w := range r.load {
		wh += float64(w)
	}
	return wh
}

// Run lives through years.
func (y *Year) Run(years []Winter, t Try) []Tally {
	r := y.runner(t)
	out := make([]Tally, len(years))
	for i := range years {
		out[i] = r.year(&years[i])
	}
	return out
}

// walk is where a year has come to.
type walk struct {
	soc       float64
	dark      bool
	spell     int
	lastNight int
	shedding  bool
	frost     frost
}

// lived is a day, hour by hour.
type lived struct {
	sun, load [24]float32 // W that the panel could give, and that were asked for
	soc       [25]float64 // from the day's beginning on
	refusing  [24]bool    // the cold stopped the charge
	dark      [24]bool
	asked     float32 // Wh
	got       float32
}

func (r *runner) year(w *Winter) Tally {
	t := Tally{First: -1, Lowest: 1}
	at := walk{soc: 1, lastNight: -1}
	r.days(w, &at, func(d int, day *lived) bool {
		r.record(d, day, &at, &t)
		return true
	})
	return t
}

// days lives through a year, for as long as each wants the next.
func (r *runner) days(w *Winter, at *walk, each func(d int, day *lived) bool) {
	rng := rand.New(rand.NewPCG(0x70726f67, math.Float64bits(float64(w.Score[0]))))
	var day lived
	for d := range Days {
		if r.try.Forecast {
			at.shedding = r.fears(w, d, float32(at.soc), rng)
		}
		r.day(w, d, at, &day)
		if !each(d, &day) {
			return
		}
	}
}

// day lives through one solar day.
func (r *runner) day(w *Winter, d int, at *walk, day *lived) {
	r.plan(w, d, at, day)
	weather := &r.y.kit.Weather
	base := w.Celsius[d] + float32(weather.BoxWarmer)
	// On most days no hour is cold enough to matter.
	cold := (r.inhibit || weather.LossWK > 0) && base+r.coolest < max(0, float32(weather.Release), float32(weather.WarmTo))
	if !cold {
		at.frost = false
	}
	perAh := r.perAh[d]
	day.got = 0
	day.soc[0] = at.soc
	soc := at.soc
	for h := range 24 {
		load, refusing := day.load[h], false
		lit := !at.dark
		if lit {
			day.got += load
		} else {
			load *= outlook.DarkShare
		}
		if cold {
			celsius, heater := base+r.swing[h], float32(0)
			if lit {
				heater = weather.heater(celsius)
			}
			if heater > 0 {
				load, celsius = load+heater, float32(weather.WarmTo)
			}
			at.frost = at.frost.next(celsius, float32(weather.Release))
			refusing = r.inhibit && bool(at.frost)
		}
		day.dark[h], day.refusing[h] = !lit, refusing
		soc = r.hourly.Hour(soc, perAh, float64(day.sun[h]-load), refusing)
		day.soc[h+1] = soc
		switch {
		case lit && soc <= r.cut:
			at.dark = true
		case !lit && soc >= r.back:
			at.dark = false
		}
	}
	at.soc = soc
}

// plan is what a day's sun and hands ask of the battery, whatever becomes of it.
func (r *runner) plan(w *Winter, d int, at *walk, day *lived) {
	y := r.y
	day.asked = 0
	shed := !r.try.Forecast || at.shedding
	for h := range 24 {
		i := d*24 + h
		day.sun[h] = 0
		if !w.Cover[d] && y.lit[i] {
			day.sun[h] = y.light[i].At(w.Place[d]) * r.gain
		}
		local := y.hour[i]
		day.load[h] = r.load[local]
		if shed {
			day.load[h] -= r.shed[local]
		}
		day.asked += day.load[h]
	}
}

// record adds a day to what came of the year.
func (r *runner) record(d int, day *lived, at *walk, t *Tally) {
	month := r.y.month[d]
	var possible, array, refused float64
	for h := range 24 {
		sun, load := float64(day.sun[h]), float64(day.load[h])
		possible += sun
		if day.dark[h] {
			r.darkHour(d, d*24+h, at, t)
			load *= outlook.DarkShare
		} else {
			at.spell = 0
		}
		if day.refusing[h] && sun > load {
			refused += sun - load
		}
		array += min(sun, load) + r.hourly.Took(day.soc[h], day.soc[h+1], r.perAh[d])
	}
	t.Lowest = min(t.Lowest, float32(at.soc))
	t.Possible[month] += possible
	t.Refused[month] += refused
	t.Asked[month] += float64(day.asked)
	t.Got[month] += float64(day.got)
	t.Demand += float64(day.asked)
	t.Served += float64(day.got)
	t.Array += array
}

func (r *runner) darkHour(d, i int, at *walk, t *Tally) {
	t.Dark[r.y.month[d]]++
	t.DarkHours++
	at.spell++
	t.Longest = max(t.Longest, at.spell)
	if t.First < 0 {
		t.First = d
	}
	if night := (i + 12) / 24; night != at.lastNight {
		at.lastNight = night
		t.Nights++
	}
}

// A forecast's score and the day's own correlate by 0.90 on the first day, falling by 0.09
// a day: assumed, to be replaced by what a service turns out to be worth.
const skillFirst, skillFalls, looks = 0.90, 0.09, 4

// fears tells at the start of a day whether the forecast of the coming days lets the charge
// fall to the reserve.
func (r *runner) fears(w *Winter, d int, soc float32, rng *rand.Rand) bool {
	const volts = 3.25
	cells := float32(max(r.y.kit.Battery.Cells, 1))
	load := float32(r.demand())
	for n := range looks {
		rho := skillFirst - skillFalls*float64(n)
		i := min(d+n, Days-1)
		z := rho*float64(w.Score[i]) + math.Sqrt(1-rho*rho)*rng.NormFloat64()
		sun := r.y.daily[i].At(r.y.place[i].at(rho*z)) * r.gain
		soc = min(1, soc+(sun-load)*float32(r.perAh[i])/(volts*cells))
		if soc < r.reserve+0.05 {
			return true
		}
	}
	return false
}
