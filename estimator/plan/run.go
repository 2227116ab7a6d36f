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
	Warm     float64  // the battery is kept at this or above, °C; 0 is not at all
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
	perAh     [Days]float32
	cut, back float32
	gain      float32
	swing     [24]float32 // of the battery about the day's mean, by solar hour
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
		r.perAh[d] = 1 / (y.ah[d] * float32(scale))
	}
	for h := range 24 {
		sin, cos := math.Sincos(2 * math.Pi * (float64(h) + 0.5) / 24)
		if wave := state.Warmth.Wave; state.Warmth.Days > 0 {
			r.swing[h] = float32(wave[0]*cos + wave[1]*sin)
			continue
		}
		r.swing[h] = float32(-usualSwing * math.Cos(2*math.Pi*(float64(h)+0.5-4)/24))
	}
	return r
}

// Run lives through years.
func (y *Year) Run(years []Winter, t Try) []Tally {
	r := y.runner(t)
	out := make([]Tally, len(years))
	for i := range years {
		out[i] = r.year(&years[i], 1)
	}
	return out
}

// walk is where a year has come to.
type walk struct {
	soc       float32
	dark      bool
	spell     int
	lastNight int
	shedding  bool
	frost     frost
}

func (r *runner) year(w *Winter, soc float32) Tally {
	t := Tally{First: -1, Lowest: soc}
	at := walk{soc: soc, lastNight: -1}
	rng := rand.New(rand.NewPCG(0x70726f67, math.Float64bits(float64(w.Score[0]))))
	for d := range Days {
		if r.try.Forecast {
			at.shedding = r.fears(w, d, at.soc, rng)
		}
		r.day(w, d, &at, &t)
	}
	return t
}

// day lives through one solar day.
func (r *runner) day(w *Winter, d int, at *walk, t *Tally) {
	y := r.y
	month := y.month[d]
	base := w.Celsius[d] + float32(y.kit.Weather.BoxWarmer)
	weather := &y.kit.Weather
	inhibit := len(weather.AirCelsius) == 12 && !weather.NoInhibit && !r.try.Takes
	var possible, asked, got, array, refused float32
	for h := range 24 {
		i := d*24 + h
		local := y.hour[i]
		sun := float32(0)
		if !w.Cover[d] {
			sun = y.light[i].At(w.Place[d]) * r.gain
		}
		celsius := base + r.swing[h]
		load := r.load[local]
		asked += load
		heater := float32(0)
		if !at.dark {
			heater = weather.heater(celsius)
		}
		if !r.try.Forecast || at.shedding {
			load -= r.shed[local]
			asked -= r.shed[local]
		}
		possible += sun
		if at.dark {
			r.darkHour(d, i, at, t)
			load *= outlook.DarkShare
		} else {
			got += load
			at.spell = 0
		}
		load += heater
		if r.try.Warm != 0 {
			celsius = max(celsius, float32(r.try.Warm))
		}
		if heater > 0 {
			celsius = float32(weather.WarmTo)
		}
		if at.frost = at.frost.next(celsius, float32(weather.Release)); inhibit && bool(at.frost) {
			celsius = min(celsius, -1)
		}
		if inhibit && celsius < 0 && sun > load {
			refused += sun - load
		}
		was := at.soc
		at.soc = r.hourly.Hour(was, r.perAh[d], sun-load, celsius, inhibit)
		array += min(sun, load) + r.hourly.Took(was, at.soc, r.perAh[d])
		switch {
		case !at.dark && at.soc <= r.cut:
			at.dark = true
		case at.dark && at.soc >= r.back:
			at.dark = false
		}
	}
	t.Lowest = min(t.Lowest, at.soc)
	t.Possible[month] += float64(possible)
	t.Refused[month] += float64(refused)
	t.Asked[month] += float64(asked)
	t.Got[month] += float64(got)
	t.Demand += float64(asked)
	t.Served += float64(got)
	t.Array += float64(array)
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
	load := float32(0)
	for _, x := range r.load {
		load += x
	}
	for n := range looks {
		rho := skillFirst - skillFalls*float64(n)
		i := min(d+n, Days-1)
		z := rho*float64(w.Score[i]) + math.Sqrt(1-rho*rho)*rng.NormFloat64()
		sun := r.y.daily[i].At(r.y.place[i].at(rho*z)) * r.gain
		soc = min(1, soc+(sun-load)*r.perAh[i]/(volts*cells))
		if soc < r.reserve+0.05 {
			return true
		}
	}
	return false
}
