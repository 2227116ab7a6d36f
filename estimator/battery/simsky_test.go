package battery

import (
	"math"
	"math/rand/v2"
	"strconv"
	"testing"
	"time"

	"ebbwatch/collector/needtest"
)

// simDay is one measured day: KNMI daily observations (free use with acknowledgement).
type simDay struct {
	date           time.Time
	kwh, low, high float64
}

// air is the temperature at a minute of the day, coldest at three at night, °C.
func (d simDay) air(minute int) float64 {
	return d.low + (d.high-d.low)*(0.5-0.5*math.Cos(2*math.Pi*float64(minute-180)/1440))
}

// simDays reads measured days from a date on; a missing day repeats the one before.
func simDays(t testing.TB, name string, from time.Time, days int) []simDay {
	t.Helper()
	byDate := map[string]simDay{}
	for _, row := range needtest.Rows(t, name) {
		d := simDay{low: math.NaN(), high: math.NaN()}
		d.kwh, _ = strconv.ParseFloat(row[1], 64)
		if lo, err := strconv.ParseFloat(row[3], 64); err == nil {
			d.low = lo
		}
		if hi, err := strconv.ParseFloat(row[4], 64); err == nil {
			d.high = hi
		}
		byDate[row[0]] = d
	}
	out := make([]simDay, 0, days)
	last := simDay{kwh: 1, low: 4, high: 10}
	for k := range days {
		date := from.AddDate(0, 0, k)
		if d, ok := byDate[date.Format(time.DateOnly)]; ok {
			last.kwh = d.kwh
			if !math.IsNaN(d.low) && !math.IsNaN(d.high) {
				last.low, last.high = d.low, d.high
			}
		}
		last.date = date
		out = append(out, last)
	}
	return out
}

// simSky spreads a day's light over its minutes: plane-of-array W/m² on a steep south
// panel, the cloud as a random walk of its own, scaled so that the horizontal sum is right.
func simSky(d simDay, latDeg float64, rng *rand.Rand, poa *[1440]float64) {
	day := float64(d.date.YearDay())
	dec := -23.44 * math.Pi / 180 * math.Cos(2*math.Pi*(day+10)/365)
	lat, tilt := latDeg*math.Pi/180, 60*math.Pi/180
	var ghi, beamShare [1440]float64
	sum, extra := 0.0, 0.0
	var clear float64
	cloud := rng.NormFloat64()
	for m := range 1440 {
		hour := 2 * math.Pi * (float64(m)/1440 - 0.5)
		up := math.Sin(lat)*math.Sin(dec) + math.Cos(lat)*math.Cos(dec)*math.Cos(hour)
		cloud = cloud*0.95 + 0.31*rng.NormFloat64()
		if up <= 0.01 {
			continue
		}
		clear = 1050 * math.Pow(up, 1.2)
		extra += 1361 * up
		ghi[m] = clear * math.Exp(0.5*cloud)
		sum += ghi[m]
		beamShare[m] = (math.Sin(lat-tilt)*math.Sin(dec) + math.Cos(lat-tilt)*math.Cos(dec)*math.Cos(hour)) / max(up, 0.08)
	}
	kt := d.kwh * 60000 / max(extra, 1)
	diffuse := min(max(1.2-1.5*kt, 0.2), 1)
	for m := range 1440 {
		g := ghi[m] * d.kwh * 60000 / max(sum, 1)
		g = min(g, 1100)
		poa[m] = g * (diffuse*(1+math.Cos(tilt))/2 + (1-diffuse)*min(max(beamShare[m], 0), 6))
	}
}
