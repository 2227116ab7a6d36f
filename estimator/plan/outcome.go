package plan

import (
	"math"
	"slices"
)

// Band is a spread over years: the tenth, the middle and the ninetieth in a hundred.
type Band struct {
	P10 float64 `json:"p10"`
	P50 float64 `json:"p50"`
	P90 float64 `json:"p90"`
}

func band(xs []float64) Band {
	s := slices.Clone(xs)
	slices.Sort(s)
	at := func(p float64) float64 {
		if len(s) == 0 {
			return math.NaN()
		}
		return s[min(len(s)-1, max(0, int(math.Ceil(p*float64(len(s))))-1))]
	}
	return Band{at(0.1), at(0.5), at(0.9)}
}

// Month is what a month comes to, per day where not said otherwise.
type Month struct {
	Sun        float64 `json:"sun_kwh_m2"`   // on the horizontal, kWh/m²
	Plane      float64 `json:"plane_kwh_m2"` // on the panel
	Possible   float64 `json:"possible_wh"`  // harvest at the battery were it never full, Wh
	Load       float64 `json:"load_wh"`      // Wh
	Refused    float64 `json:"refused_wh"`   // not taken below freezing, Wh
	LLP        float64 `json:"loss_of_load"` // share
	Dark       Band    `json:"dark_hours"`   // in the whole month
	DarkMean   float64 `json:"dark_hours_mean"`
	DarkWinter float64 `json:"years_dark"` // share of the years with a dark hour in it
}

// Outcome is what came of many years.
type Outcome struct {
	Years     int       `json:"years"`
	LLP       float64   `json:"loss_of_load"`       // over all years
	LLPError  float64   `json:"loss_of_load_error"` // standard error of it, from the number of years
	ByYear    Band      `json:"loss_of_load_by_year"`
	DarkHours Band      `json:"dark_hours"` // a year
	DarkMean  float64   `json:"dark_hours_mean"`
	Nights    Band      `json:"dark_nights"` // noon to noon with a dark hour, a year
	NightMean float64   `json:"dark_nights_mean"`
	Longest   Band      `json:"longest_dark_hours"` // the longest dark spell of a year
	Failing   float64   `json:"years_failing"`      // share of the years with a dark hour
	Lit       int       `json:"lit_until_day"`      // in 9 of 10 years nothing fails before this day; -1 is the whole year
	Fails     int       `json:"failed_by_day"`      // in 9 of 10 years it has failed by this day; -1 is never in so many
	Months    [12]Month `json:"months"`
	Yields    Yields    `json:"yields"`
}

// Gather makes an outcome of years.
func (y *Year) Gather(years []Winter, ts []Tally) Outcome {
	o := Outcome{Years: len(ts)}
	n := float64(len(ts))
	var llp, dark, nights, longest, first []float64
	var asked, got float64
	for i := range ts {
		t := &ts[i]
		asked, got = asked+t.Demand, got+t.Served
		llp, dark = append(llp, t.LLP()), append(dark, t.DarkHours)
		nights, longest = append(nights, float64(t.Nights)), append(longest, float64(t.Longest))
		day := float64(Days)
		if t.First >= 0 {
			day = float64(t.First)
			o.Failing += 1 / n
		}
		first = append(first, day)
		o.DarkMean += t.DarkHours / n
		o.NightMean += float64(t.Nights) / n
	}
	if asked > 0 {
		o.LLP = 1 - got/asked
	}
	o.LLPError = spread(llp) / math.Sqrt(n)
	o.ByYear, o.DarkHours, o.Nights, o.Longest = band(llp), band(dark), band(nights), band(longest)
	o.Lit, o.Fails = dayOf(band(first).P10), dayOf(band(first).P90)
	o.Months = y.monthly(years, ts)
	o.Yields = y.yields(years, ts)
	return o
}

func dayOf(x float64) int {
	if x >= Days || math.IsNaN(x) {
		return -1
	}
	return int(x)
}

// spread is the standard deviation.
func spread(xs []float64) float64 {
	if len(xs) < 2 {
		return math.NaN()
	}
	var a, b float64
	for _, x := range xs {
		a += x
		b += x * x
	}
	n := float64(len(xs))
	return math.Sqrt(max(0, b/n-a/n*a/n) * n / (n - 1))
}

func (y *Year) monthly(years []Winter, ts []Tally) (out [12]Month) {
	days := y.months()
	n := float64(len(ts))
	for m := range out {
		o := &out[m]
		var dark []float64
		var asked, got float64
		for i := range ts {
			t := &ts[i]
			o.Possible += t.Possible[m] / n / days[m]
			o.Refused += t.Refused[m] / n / days[m]
			asked, got = asked+t.Asked[m], got+t.Got[m]
			dark = append(dark, t.Dark[m])
			o.DarkMean += t.Dark[m] / n
			if t.Dark[m] > 0 {
				o.DarkWinter += 1 / n
			}
		}
		o.Load = asked / n / days[m]
		if asked > 0 {
			o.LLP = 1 - got/asked
		}
		o.Dark = band(dark)
	}
	y.sunshine(years, &out, days)
	return out
}

// sunshine fills in the irradiation of the months.
func (y *Year) sunshine(years []Winter, out *[12]Month, days [12]float64) {
	n := float64(len(years))
	plane := y.plane()
	for i := range years {
		for d := range Days {
			m := y.month[d]
			out[m].Sun += float64(years[i].GHI[d]) / n / days[m]
			out[m].Plane += float64(plane[d].At(years[i].Place[d])) / 1000 / n / days[m]
		}
	}
}
