package plan

import (
	"math"
	"math/rand/v2"
	"time"

	"ebbwatch/estimator/sky"
	"ebbwatch/estimator/sun"
)

// Winter is the weather of one year.
type Winter struct {
	Name    string        // the years, of a measured one
	Place   [Days]float32 // of the day's clearness between the levels
	Score   [Days]float32 // standard normal
	Celsius [Days]float32 // air, mean
	Cover   [Days]bool    // the panel lies under snow
	GHI     [Days]float32 // kWh/m²
}

// Synthetic draws n years. The same seed gives the same years. Days are spread about the
// month's mean as [lifted] says and follow each other as [skies] says; temperatures and
// snow are drawn beside them.
func (y *Year) Synthetic(n int, seed uint64) []Winter {
	out := make([]Winter, n)
	for i := range out {
		w, rng := &out[i], rand.New(rand.NewPCG(seed, uint64(i)))
		s := startSkies(y.site, y.siteSD)
		for d := range Days {
			z := s.next(y.season(d), rng)
			w.Score[d], w.Place[d] = float32(z), y.place[d].at(z)
			w.GHI[d] = float32(y.spread[d].Clearness(z) * y.top[d])
		}
		y.dress(w, rng)
	}
	return out
}

// Chained draws n years from the published daily transitions instead ([sky.Chain]): another
// model of the same skies, for a second opinion. Each month's days are scaled to its mean.
func (y *Year) Chained(n int, seed uint64) []Winter {
	out := make([]Winter, n)
	var drawn, want [12]float64
	for i := range out {
		rng := rand.New(rand.NewPCG(seed, uint64(i)))
		var chain sky.Chain
		for d := range Days {
			m := y.month[d]
			if d == 0 || m != y.month[d-1] {
				chain = sky.NewChain(y.kt[m])
				for range 3 { // it begins in the middle of its range
					chain, _ = chain.Next(rng)
				}
			}
			var kt float64
			chain, kt = chain.Next(rng)
			out[i].GHI[d] = float32(kt * y.top[d])
			drawn[m] += kt * y.top[d]
			want[m] += y.spread[d].Mean * y.top[d]
		}
	}
	for i := range out {
		w := &out[i]
		for d := range Days {
			m := y.month[d]
			if drawn[m] > 0 {
				w.GHI[d] *= float32(want[m] / drawn[m])
			}
			if y.top[d] > 0 {
				y.see(w, d, float64(w.GHI[d])/y.top[d])
			}
		}
		y.dress(w, rand.New(rand.NewPCG(seed, uint64(n+i))))
	}
	return out
}

// see puts a day's clearness where it belongs.
func (y *Year) see(w *Winter, d int, kt float64) {
	w.Place[d], w.Score[d] = y.hourly.Place(kt), float32(y.spread[d].Score(kt))
}

// dress draws the temperatures and the snow of a year whose skies are known.
func (y *Year) dress(w *Winter, rng *rand.Rand) {
	air, cover, days := startAir(rng), false, y.months()
	for d := range Days {
		after := float64(w.Score[min(d+1, Days-1)])
		w.Celsius[d] = float32(y.air[d] + or1(y.kit.Weather.AirSpread)*air.next(float64(w.Score[d]), after, y.season(d), rng))
		cover = y.snow(cover, int(y.month[d]), days, rng.Float64())
		w.Cover[d] = cover
	}
}

// season is 1 in the middle of winter and -1 in the middle of summer.
func (y *Year) season(d int) float64 {
	x := math.Cos(2 * math.Pi * float64(y.Date(d).YearDay()-15) / 365)
	if y.kit.Site.Latitude < 0 {
		return -x
	}
	return x
}

// warmth is how a day's air stands to the month's mean: a part that forgets within days,
// one that forgets within two weeks, and spells of cold that last for weeks and are what
// stops a battery. The first follows the sky: clear winter days are cold, clear summer days
// warm.
type warmth struct {
	fast, slow float64
	cold       bool
	chance     float64 // of cold on such a day of the year, before anything is known
}

// Fitted to 26 years of days at one lowland station near the sea. There in December to
// February 24, 13, 6 and 2 % of the days are below 0, -2, -4 and -7 °C (here 24, 13, 6 and
// 2), single days differ from the month's mean by 4.2 K, means of 7, 30 and 88 days by 3.5,
// 2.5 and 1.7 K (3.5, 2.6, 1.7), days below freezing have a mean score of the sky of 0.62
// (0.59), and 3.0, 1.4, 0.5 and 0.3 spells a year last 3, 6, 10 and 15 days below freezing
// (3.1, 1.3, 0.5, 0.25). Far from the sea days differ more, on a coast less: a measured
// record tells (AirSpread).
const (
	airSpread, airSummer = 3.4, -0.9 // K
	airFast, airSlow     = 0.60, 0.93
	airShare             = 0.5 // of the variance, in the fast part
	airSky, airNext      = 0.99, 0.36
	coldDepth            = 5.9  // K below what it would be
	coldShare            = 0.18 // of the days in the middle of winter
	coldStay             = 20.0 // days
)

func startAir(rng *rand.Rand) warmth { return warmth{fast: rng.NormFloat64(), slow: rng.NormFloat64()} }

// next is the day's departure from the mean, K, with the sky's scores of the day and the
// next: dry air comes with both.
func (a *warmth) next(score, after, season float64, rng *rand.Rand) float64 {
	tie := -airSky * season * math.Abs(season)
	push := tie*(score+airNext*after)/math.Sqrt(1+airNext*airNext+0.6*airNext) + math.Sqrt(1-tie*tie)*rng.NormFloat64()
	a.fast = airFast*a.fast + math.Sqrt(1-airFast*airFast)*push
	a.slow = airSlow*a.slow + math.Sqrt(1-airSlow*airSlow)*rng.NormFloat64()
	spread := airSpread + min(0, season)*min(0, season)*airSummer
	return spread*(math.Sqrt(airShare)*a.fast+math.Sqrt(1-airShare)*a.slow) + a.spell(season, rng.Float64())
}

// spell lets cold come and go, and gives what it does to the day, K; over many years it
// does nothing to the mean.
func (a *warmth) spell(season, chance float64) float64 {
	share := coldShare * max(0, season) * max(0, season)
	enter, leave := share/(1-share)/coldStay, 1/coldStay
	a.chance += (1-a.chance)*enter - a.chance*leave
	if a.cold {
		a.cold = chance >= leave
	} else {
		a.cold = chance < enter
	}
	if a.cold {
		return -coldDepth * (1 - a.chance)
	}
	return coldDepth * a.chance
}

// snow keeps the panel covered in runs, so that the month's days come out as given.
func (y *Year) snow(cover bool, month int, days [12]float64, chance float64) bool {
	if len(y.kit.Weather.SnowDays) != 12 {
		return false
	}
	share := min(0.98, y.kit.Weather.SnowDays[month]/days[month])
	if share <= 0 {
		return false
	}
	if cover {
		return chance < 1-1/max(snowRun, 1/(1-share))
	}
	return chance < share/(1-share)/max(snowRun, 1/(1-share))
}

// Day is a day of a measured record.
type Day struct {
	Date    time.Time
	GHI     float64 // global horizontal irradiation, kWh/m²
	Celsius float64 // mean of the air; NaN when not known
}

// mostMissing is how many days of a measured year may be missing.
const mostMissing = 15

// Measured makes years of a record, which is in order of time. A missing day takes the
// clearness of the day before it; a year with more than 15 missing days is left out, and
// counted. Snow is drawn as for the synthetic years: a pyranometer is wiped.
func (y *Year) Measured(days []Day, seed uint64) (years []Winter, left int) {
	start := y.kit.begins()
	byYear := map[int]*[Days]Day{}
	var order []int
	for _, day := range days {
		year, d := y.indexOf(day.Date, start)
		if d < 0 {
			continue
		}
		if byYear[year] == nil {
			byYear[year] = &[Days]Day{}
			order = append(order, year)
		}
		byYear[year][d] = day
	}
	for _, year := range order {
		w, ok := y.measured(byYear[year], year, rand.New(rand.NewPCG(seed, uint64(year))))
		if !ok {
			left++
			continue
		}
		years = append(years, w)
	}
	return years, left
}

// indexOf finds the year that a date belongs to and its day there; 29 February is left out.
func (y *Year) indexOf(date, start time.Time) (year, day int) {
	if date.Month() == time.February && date.Day() == 29 {
		return 0, -1
	}
	year = date.Year()
	if date.Month() < start.Month() {
		year--
	}
	shift := start.Year()
	if date.Month() < start.Month() {
		shift++
	}
	same := time.Date(shift, date.Month(), date.Day(), 12, 0, 0, 0, time.UTC)
	return year, int(same.Sub(start).Hours() / 24)
}

func (y *Year) measured(record *[Days]Day, year int, rng *rand.Rand) (w Winter, ok bool) {
	missing := 0
	kt, cover := y.spread[0].Mean, false
	months := y.months()
	w.Name = yearName(year, y.kit.Site.Latitude)
	for d := range Days {
		if day := record[d]; !day.Date.IsZero() {
			// Where the sun does not rise, any clearness gives no light.
			if top := sun.DailyExtraterrestrial(day.Date.YearDay(), y.kit.Site.Latitude); top > 0.05 {
				kt = day.GHI / top
			}
			w.Celsius[d] = float32(day.Celsius)
			if math.IsNaN(day.Celsius) {
				w.Celsius[d] = float32(y.air[d])
			}
		} else {
			missing++
			w.Celsius[d] = float32(y.air[d])
		}
		y.see(&w, d, kt)
		w.GHI[d] = float32(kt * y.top[d])
		cover = y.snow(cover, int(y.month[d]), months, rng.Float64())
		w.Cover[d] = cover
	}
	return w, missing <= mostMissing
}

func yearName(year int, latitude float64) string {
	t := time.Date(year, 1, 1, 0, 0, 0, 0, time.UTC)
	if latitude < 0 {
		return t.Format("2006")
	}
	return t.Format("2006") + "/" + t.AddDate(1, 0, 0).Format("06")
}
