package outlook

import (
	"math"
	"math/rand/v2"
	"strconv"
	"testing"
	"time"

	"ebbwatch/collector/needtest"
	"ebbwatch/estimator/sun"
)

// weather is a station's days, one after another; a missing day repeats the one before it.
type weather struct {
	lat, lon float64
	first    time.Time
	ghi      []float64 // kWh/m²
	mean     []float64 // °C
	swing    []float64 // K, half of low to high
	rank     []float64 // normal score of the clearness among the days of its month
	record   *weather  // other years of the same place, which its owner fetched
}

// station reads daily weather. Source: KNMI daily observations, Hoogeveen 279 and
// Terschelling 251.
func station(t testing.TB, id string) *weather {
	t.Helper()
	w := &weather{lat: 52.750, lon: 6.574}
	if id == "251" {
		w.lat, w.lon = 53.392, 5.346
	}
	num := func(s string, or float64) float64 {
		if x, err := strconv.ParseFloat(s, 64); err == nil {
			return x
		}
		return or
	}
	mean, swing := 8.0, 3.0
	for _, r := range needtest.Rows(t, "knmi_"+id+"_daily.csv") {
		day, err := time.Parse(time.DateOnly, r[0])
		if err != nil {
			t.Fatal(err)
		}
		ghi := num(r[1], math.NaN())
		if math.IsNaN(ghi) {
			continue
		}
		mean = num(r[2], mean)
		swing = (num(r[4], mean+swing) - num(r[3], mean-swing)) / 2
		if w.first.IsZero() {
			w.first = day
		}
		for n := int(day.Sub(w.first).Hours() / 24); len(w.ghi) < n; {
			w.ghi = append(w.ghi, w.ghi[len(w.ghi)-1])
			w.mean, w.swing = append(w.mean, mean), append(w.swing, swing)
		}
		w.ghi, w.mean, w.swing = append(w.ghi, ghi), append(w.mean, mean), append(w.swing, swing)
	}
	w.rankDays()
	return w
}

// americas reads the days of 2018 at a station of which only hours are there. Source: NOAA
// SURFRAD, Penn State and Desert Rock. The temperatures are not there: 8 ± 3 °C all year.
func americas(t testing.TB, id string) *weather {
	t.Helper()
	w := &weather{lat: 40.72, lon: -77.93}
	if id == "desert_rock" {
		w.lat, w.lon = 36.62, -116.02
	}
	sum := map[int]float64{}
	for _, r := range needtest.Rows(t, "surfrad_"+id+"_2018_hourly.csv") {
		at, err := time.Parse(time.RFC3339, r[0])
		if err != nil {
			t.Fatal(err)
		}
		if ghi, err := strconv.ParseFloat(r[1], 64); err == nil {
			sum[int(math.Floor((float64(at.Unix())+w.lon*240)/86400))] += max(ghi, 0) / 1000
		}
	}
	const first = 17532 // 1 January 2018
	w.first = time.Unix(first*86400-int64(w.lon*240), 0).UTC().Truncate(time.Hour)
	for d := first; d < first+364; d++ {
		w.ghi, w.mean, w.swing = append(w.ghi, sum[d]), append(w.mean, 8), append(w.swing, 3)
	}
	w.rankDays()
	return w
}

// sunset is the hour, UTC, that begins at 17 h by the sun: the day's light has been seen then.
func (w *weather) sunset() int { return (17 - int(math.Round(w.lon/15)) + 24) % 24 }

func (w *weather) day(i int) time.Time { return w.first.AddDate(0, 0, i) }

func (w *weather) kt(i int) float64 {
	return w.ghi[i] / sun.DailyExtraterrestrial(w.day(i).YearDay(), w.lat)
}

// insolation is the monthly mean of the first years of the record, as an owner would read
// it off a map.
func (w *weather) insolation(years int) []float64 {
	sum, n := make([]float64, 12), make([]float64, 12)
	for i := range min(len(w.ghi), years*365) {
		m := w.day(i).Month() - 1
		sum[m] += w.ghi[i]
		n[m]++
	}
	for m := range sum {
		sum[m] /= n[m]
	}
	return sum
}

// byMonth lists each month's clearness in order, for the quantiles.
func (w *weather) byMonth() (out [12][]float64) {
	for i := range w.ghi {
		m := w.day(i).Month() - 1
		out[m] = append(out[m], w.kt(i))
	}
	for m := range out {
		sortFloats(out[m])
	}
	return out
}

// shapes are measured days: the share of the clear sky's irradiance at 24 places between
// sunrise and sunset, in the order of the whole day's share.
type shapes struct {
	index []float64
	share [][24]float64
}

// measuredShapes reads how light runs within a day. Source: NOAA SURFRAD, hourly means of
// 2018 at Desert Rock and Penn State, against the clear sky modelled by CAMS McClear.
func measuredShapes(t testing.TB) *shapes {
	t.Helper()
	out := &shapes{}
	type hour struct{ ghi, clear float64 }
	for _, site := range []struct {
		name string
		lon  float64
	}{{"surfrad_desert_rock_2018_hourly.csv", -116.02}, {"surfrad_penn_state_2018_hourly.csv", -77.93}} {
		days := map[int][]hour{}
		for _, r := range needtest.Rows(t, site.name) {
			at, err := time.Parse(time.RFC3339, r[0])
			if err != nil {
				t.Fatal(err)
			}
			g, err1 := strconv.ParseFloat(r[1], 64)
			c, err2 := strconv.ParseFloat(r[2], 64)
			if err1 != nil || err2 != nil || c < 20 {
				continue
			}
			d := int(math.Floor((float64(at.Unix()) + site.lon*240) / 86400))
			days[d] = append(days[d], hour{max(g, 0), c})
		}
		for d := 17000; d < 18500; d++ {
			hours := days[d]
			if len(hours) < 8 {
				continue
			}
			var g, c float64
			var row [24]float64
			for _, h := range hours {
				g += h.ghi
				c += h.clear
			}
			for i := range row {
				h := hours[min(len(hours)-1, i*len(hours)/24)]
				row[i] = min(1.3, h.ghi/h.clear)
			}
			out.add(g/c, row)
		}
	}
	return out
}

func (s *shapes) add(index float64, row [24]float64) {
	at := len(s.index)
	for at > 0 && s.index[at-1] > index {
		at--
	}
	s.index = append(s.index[:at], append([]float64{index}, s.index[at:]...)...)
	s.share = append(s.share[:at], append([][24]float64{row}, s.share[at:]...)...)
}

// like picks one of the measured days that are most like a whole day's share.
func (s *shapes) like(index float64, rng *rand.Rand) *[24]float64 {
	at := 0
	for at < len(s.index)-1 && s.index[at] < index {
		at++
	}
	return &s.share[max(0, min(len(s.share)-1, at-6+rng.IntN(13)))]
}

// node is a simulated site: label, truth and habits.
type node struct {
	watts, ah     float64 // labels
	load          float64 // W
	tilt, azimuth float64
	factor        float64 // what the panel truly gives against its label
	capacity      float64 // true capacity against its label
	evening       float64 // share of the load that comes on top from 17 to 23 h
	release       float64 // °C at which a protection that refused the charge in the frost lets it in again
}

// hour is what was true, and so what perfect meters read, over one hour.
type hour struct {
	harvest, load  float64 // W at the battery; the load is 0 while it is cut off
	net            float64 // W into the battery
	volts, celsius float64
	soc            float64 // at the end
	dark, held     bool
	refusing       bool // the protection waits for warmth
}

// truth lives a node through the weather, hour by hour, by equations that are not the
// estimator's: light without brightening around the sun, a table of voltages of its own,
// a charger that holds an absorption voltage.
func (w *weather) truth(n node, s *shapes, seed uint64) []hour {
	rng := rand.New(rand.NewPCG(seed, 1))
	out := make([]hour, 0, len(w.ghi)*24)
	st, dark := course{soc: 0.8, cold: w.mean[0]}, false
	for d := range w.ghi {
		light := w.light(d, n, s, rng)
		wobble := 1 + 0.03*rng.NormFloat64()
		for h := range 24 {
			feed := wobble
			if dark {
				feed = 0
			}
			x := w.step(n, &st, d, h, light[h], feed)
			x.dark = dark
			switch {
			case !dark && x.volts < 11.6:
				dark = true
			case dark && x.soc > 0.3:
				dark = false
			}
			out = append(out, x)
		}
	}
	return out
}

// course is what a node carries from hour to hour.
type course struct {
	soc, cold float64
	refusing  bool
}

// step lives an hour of a day under a light, W, with a share of the load fed.
func (w *weather) step(n node, st *course, d, h int, light, feed float64) hour {
	air := w.mean[d] - w.swing[d]*math.Cos(2*math.Pi*(float64(h)+w.lon/15-2)/24)
	st.cold += 0.12 * (air + 1 - st.cold)
	st.refusing = st.cold < 0 || st.refusing && st.cold < n.release
	x := hour{harvest: light, load: n.load * feed * (1 + n.evening*evening(h)), celsius: st.cold, refusing: st.refusing}
	usable := n.ah * n.capacity * (1 - 0.006*max(0, min(45, 25-st.cold)))
	st.soc = x.step(st.soc, usable, 0.25/n.ah)
	return x
}

func evening(h int) float64 {
	if h >= 17 && h < 23 {
		return 1
	}
	return 0
}

// step moves the charge by one hour. What the meters read as current is what moves it.
func (x *hour) step(soc, usable, ohms float64) float64 {
	net := x.harvest - x.load
	if net > 0 && x.refusing {
		net, x.harvest = 0, x.load
	}
	rest := truthVolts(soc) + math.Copysign(0.012, net) // with hysteresis
	x.volts = 4 * (rest + net/13*ohms)
	most := usable * max(0.02, (1.002-soc)/0.08*0.4) // A that the held voltage lets in
	if room := (1 - soc) * usable / 0.992; net > 14.2*min(most, room) {
		x.held, x.volts = true, 14.2
		net = 14.2 * min(most, room)
		x.harvest = x.load + net
	}
	x.net = net
	amps := net / x.volts
	if amps > 0 {
		amps *= 0.992
	}
	x.soc = max(0, min(1, soc+amps/usable))
	return x.soc
}

// truthVolts is a cell's voltage at rest: points of its own within the 15 mV by which real
// cells differ from the estimator's table, with a lower knee of its own.
func truthVolts(soc float64) float64 {
	points := [...][2]float64{
		{0, 2.30}, {0.015, 2.90}, {0.03, 3.02}, {0.06, 3.13}, {0.1, 3.195}, {0.2, 3.240}, {0.3, 3.262}, {0.4, 3.284}, {0.5, 3.290}, {0.6, 3.293},
		{0.7, 3.310}, {0.8, 3.328}, {0.9, 3.332}, {0.98, 3.336}, {1, 3.45},
	}
	for i := 1; i < len(points); i++ {
		if a, b := points[i-1], points[i]; soc <= b[0] {
			return a[1] + (soc-a[0])/(b[0]-a[0])*(b[1]-a[1])
		}
	}
	return points[len(points)-1][1]
}

// light is the panel's power at the battery through a day, W, on the isotropic sky.
func (w *weather) light(d int, n node, s *shapes, rng *rand.Rand) (out [24]float64) {
	day := w.day(d)
	const parts = 4
	var at [24 * parts]sun.At
	var ghi [24 * parts]float64
	first, last, clear := -1, 0, 0.0
	for i := range at {
		at[i] = sun.Look(day.Add(time.Duration((float64(i)+0.5)*float64(time.Hour)/parts)), w.lat, w.lon, 0)
		if at[i].Top > 0 {
			if first < 0 {
				first = i
			}
			last = i
			clear += at[i].Clear / parts
		}
	}
	if first < 0 || clear <= 0 {
		return out
	}
	row := s.like(w.ghi[d]*1000/clear, rng)
	sum := 0.0
	for i := first; i <= last; i++ {
		ghi[i] = at[i].Clear * row[min(23, (i-first)*24/(last-first+1))]
		sum += ghi[i] / parts
	}
	plane := sun.Plane{TiltDeg: n.tilt, AzimuthDeg: n.azimuth}
	for i := first; i <= last; i++ {
		if at[i].Top <= 0 || sum <= 0 {
			continue
		}
		g := min(ghi[i]*w.ghi[d]*1000/sum, at[i].Top)
		diffuse := g * sun.Diffuse(g/at[i].Top)
		// The sky here is equally bright all over (Liu & Jordan 1963): that of the outlook is not.
		tilted, cosT := plane.BeamRatio(at[i].Elevation, at[i].Azimuth), math.Cos(n.tilt*math.Pi/180)
		e := (g-diffuse)*tilted + diffuse*(1+cosT)/2 + g*0.2*(1-cosT)/2
		cell := w.mean[d] + 3 + e*0.028
		out[i/parts] += n.watts * n.factor * e / 1000 * (1 - 0.004*(cell-25)) / parts
	}
	return out
}

// until is the first days of the record.
func (w *weather) until(days int) *weather {
	out := *w
	out.ghi, out.mean, out.swing, out.rank = w.ghi[:days], w.mean[:days], w.swing[:days], w.rank[:days]
	return &out
}
