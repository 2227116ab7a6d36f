package plan

import (
	"math"
	"slices"
	"time"

	"ebbwatch/estimator/outlook"
	"ebbwatch/estimator/sky"
	"ebbwatch/estimator/sun"
)

const (
	// Days is how many days a year has here.
	Days  = 365
	hours = Days * 24
)

// Year is a kit with the light of its year worked out: what does not depend on the weather.
type Year struct {
	kit    *Kit
	hourly *outlook.HourlyModel
	first  int // solar day
	light  []outlook.Light
	lit    []bool        // the hour has light
	hour   []uint8       // of the local day
	month  [Days]uint8   // 0 is January
	top    [Days]float64 // irradiation above the air, kWh/m²
	place  [Days]table
	spread [Days]lifted
	kt     [12]float64 // mean clearness by month
	air    [Days]float64
	ah     [Days]float32       // usable, for the kit's battery
	daily  [Days]outlook.Light // Wh
	panel  float64
	knots  []float64            // of the air's temperature
	planes *[Days]outlook.Light // irradiation on the plane, worked out when asked for
	siteSD float64
	site   float64 // learned offset of the site's scores
}

// table turns a day's score into its place between the levels of clearness.
type table [tableBins + 1]float32

const (
	tableBins = 64
	tableEnd  = 3.2 // scores beyond are as rare as one day in 1400
)

func (t *table) at(z float64) float32 {
	x := (max(-tableEnd, min(tableEnd, z)) + tableEnd) * (tableBins / (2 * tableEnd))
	i := min(tableBins-1, int(x))
	f := float32(x - float64(i))
	return t[i] + f*(t[i+1]-t[i])
}

// begins is the first day of a year that does not cut the winter in two.
func (k *Kit) begins() time.Time {
	if k.Site.Latitude < 0 {
		return time.Date(2001, 1, 1, 12, 0, 0, 0, time.UTC)
	}
	return time.Date(2001, 7, 1, 12, 0, 0, 0, time.UTC)
}

// Prepare works the year out. sunShare multiplies the monthly means of the sun; 1 leaves
// them.
func (k *Kit) Prepare(sunShare float64) *Year {
	state := k.state()
	state.Load.Level = k.Load.Mean()
	_, belief := k.belief(1, 15)
	y := &Year{kit: k, light: make([]outlook.Light, hours), lit: make([]bool, hours), hour: make([]uint8, hours)}
	y.hourly = outlook.Model{Site: k.Site, Battery: k.Battery}.Hourly(&state, belief)
	y.first = y.hourly.SolarDay(k.begins())
	y.panel, _ = y.hourly.Panel()
	climate := k.climate(sunShare)
	y.siteSD = climate.SD
	if len(k.Site.Insolation) == 12 {
		// Years differ by what the process makes of their days: on 26 years at one station
		// even by a little less. What is not known of the means is shown by itself.
		y.siteSD = 0
	}
	if k.Learned != nil && k.Learned.Outlook.SkyDay > 0 {
		p := k.Learned.Outlook.Sky
		y.site, y.siteSD = p.X[2], math.Sqrt(max(0, p.P[2][2]))
	}
	climate = k.conserve(climate, sunShare)
	y.kt = climate.Kt
	if len(k.Weather.AirCelsius) == 12 {
		y.knots = knots(k.Weather.AirCelsius)
	}
	for d := range Days {
		y.prepareDay(d, climate)
	}
	y.shine()
	return y
}

func (y *Year) prepareDay(d int, climate sky.Climate) {
	k := y.kit
	start := y.hourly.DayStart(y.first + d)
	noon := start.Add(12 * time.Hour)
	y.month[d] = uint8(noon.Month() - 1)
	y.top[d] = sun.DailyExtraterrestrial(noon.YearDay(), k.Site.Latitude)
	y.spread[d] = lift(climate.At(noon))
	for i := range y.place[d] {
		z := -tableEnd + 2*tableEnd*float64(i)/tableBins
		y.place[d][i] = y.hourly.Place(y.spread[d].Clearness(z))
	}
	y.air[d] = usualCelsius
	celsius := 15.0
	if len(k.Weather.AirCelsius) == 12 {
		y.air[d] = between(y.knots, noon)
		celsius = y.air[d] + k.Weather.BoxWarmer
	}
	_, b := k.belief(1, celsius)
	y.ah[d] = float32(b.UsableAh)
	for h := range 24 {
		y.hour[d*24+h] = uint8(y.local(start.Add(time.Duration(h)*time.Hour + 30*time.Minute)).Hour())
	}
}

// every is how many days apart the light is worked out; between, it is drawn straight: the
// sun moves on by less than two degrees.
const every = 4

// shine works out the light of the year.
func (y *Year) shine() {
	for d := 0; d < Days; d += every {
		y.shineOn(d)
	}
	y.shineOn(Days - 1)
	for d := range Days {
		a := d - d%every
		b := min(a+every, Days-1)
		f := float32(d-a) / float32(max(1, b-a))
		for h := range 24 {
			i, from, to := d*24+h, &y.light[a*24+h], &y.light[b*24+h]
			if d != a && d != b {
				for l := range from {
					y.light[i][l] = from[l] + f*(to[l]-from[l])
				}
			}
			for l, w := range y.light[i] {
				y.daily[d][l] += w
				y.lit[i] = y.lit[i] || w > 0
			}
		}
	}
}

func (y *Year) shineOn(d int) {
	start := y.hourly.DayStart(y.first + d)
	for h := range 24 {
		light := y.hourly.Light(start.Add(time.Duration(h)*time.Hour), y.first+d, y.air[d])
		for l := range light {
			light[l] *= float32(y.panel)
		}
		y.light[d*24+h] = light
	}
}

func (y *Year) local(t time.Time) time.Time {
	if y.kit.Site.Zone == nil {
		return t.UTC()
	}
	return t.In(y.kit.Site.Zone)
}

// between draws twelve monthly means straight between the middles of the months.
func between(monthly []float64, t time.Time) float64 {
	mid := func(i int) time.Time { return time.Date(t.Year(), time.Month(i+1), 15, 12, 0, 0, 0, time.UTC) }
	i := int(t.Month()) - 1
	if t.Before(mid(i)) {
		i--
	}
	a, b := mid(i), mid(i+1)
	f := t.Sub(a).Hours() / b.Sub(a).Hours()
	return monthly[(i+12)%12]*(1-f) + monthly[(i+1)%12]*f
}

// conserve moves a climate's means until the days drawn from it have the given monthly
// irradiation: the lines between the months alone would make the darkest ones too bright.
func (k *Kit) conserve(c sky.Climate, share float64) sky.Climate {
	if len(k.Site.Insolation) != 12 {
		return c
	}
	for range 5 {
		var sum, n [12]float64
		for d := range Days {
			t := time.Date(2001, 1, 1+d, 12, 0, 0, 0, time.UTC)
			sum[t.Month()-1] += c.At(t).Mean * sun.DailyExtraterrestrial(t.YearDay(), k.Site.Latitude)
			n[t.Month()-1]++
		}
		for i := range c.Kt {
			if want := k.Site.Insolation[i] * share; sum[i] > 0 && want > 0 {
				c.Kt[i] = max(0.06, min(0.85, c.Kt[i]*want*n[i]/sum[i]))
			}
		}
	}
	return c
}

// knots are values in the middles of the months whose lines have the months' means: drawn
// through the means themselves, winter would come out too warm.
func knots(monthly []float64) []float64 {
	k := slices.Clone(monthly)
	for range 4 {
		var sum, n [12]float64
		for d := range Days {
			t := time.Date(2001, 1, 1+d, 12, 0, 0, 0, time.UTC)
			sum[t.Month()-1] += between(k, t)
			n[t.Month()-1]++
		}
		for i := range k {
			k[i] += monthly[i] - sum[i]/n[i]
		}
	}
	return k
}

// Date is the calendar day, without a year, of a day of the plan's year.
func (y *Year) Date(d int) time.Time {
	return y.hourly.DayStart(y.first + d).Add(12 * time.Hour)
}

// Months are the days of the year by month.
func (y *Year) months() (n [12]float64) {
	for _, m := range y.month {
		n[m]++
	}
	return n
}
