package sky

import (
	"math"
	"strconv"
	"testing"
	"time"

	"ebbwatch/collector/needtest"
)

// Days of a measured record, from which the process was not fitted day by day: after two years the
// normals are near those of the whole record in every month, and the mean of the fifth day ahead
// scatters about what is expected of it as it is said to. Source: weather files distributed with
// the DSSAT crop model data (DSSAT Foundation).
func TestAirAgainstMeasuredYears(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name     string
		lat, lon float64
	}{{"ames_iowa", 42.02, -93.75}, {"rothamsted", 51.81, -0.36}, {"pergamino", -33.93, -60.55}, {"palmira", 3.48, -76.37}} {
		var days []time.Time
		var mean []float64
		var sum, n [12]float64
		for _, r := range needtest.Rows(t, "climates/"+c.name+"_daily.csv") {
			at, err := time.Parse(time.DateOnly, r[0])
			x, err2 := strconv.ParseFloat(r[2], 64)
			if err != nil || err2 != nil {
				continue
			}
			days, mean = append(days, at), append(mean, x)
			sum[at.Month()-1] += x
			n[at.Month()-1]++
		}
		a, innovation := UsualAir(c.lat, c.lon, 0), AirInnovation(c.lat)*AirInnovation(c.lat)
		var square, count float64
		for i := 1; i+5 < len(days); i++ {
			normal, _ := a.At(days[i], c.lat)
			before, _ := a.At(days[i-1], c.lat)
			added := mean[i] - normal - AirPersistence*(mean[i-1]-before)
			innovation += (added*added - innovation) / 45
			a = a.See(days[i], c.lat, mean[i], innovation)
			if i < 730 || days[i+5].Sub(days[i]) != 120*time.Hour {
				continue
			}
			ahead, unsure := a.At(days[i+5], c.lat)
			now, _ := a.At(days[i], c.lat)
			const five = 0.32768 // AirPersistence to the fifth
			variance := innovation*(1-five*five)/(1-AirPersistence*AirPersistence) + (1-five)*(1-five)*(unsure*unsure+0.25*innovation)
			miss := mean[i+5] - ahead - five*(mean[i]-now)
			square += miss * miss / variance
			count++
		}
		if sd := math.Sqrt(square / count); sd < 0.6 || sd > 1.2 {
			t.Errorf("%s: the fifth day scatters %.2f times as widely as stated", c.name, sd)
		}
		for m := range 12 {
			got, _ := a.At(time.Date(2001, time.Month(m+1), 15, 0, 0, 0, 0, time.UTC), c.lat)
			if want := sum[m] / n[m]; math.Abs(got-want) > 2.5 {
				t.Errorf("%s, %s: normal %.1f °C, the record has %.1f", c.name, time.Month(m+1), got, want)
			}
		}
	}
}

// The guess is within what it says of itself: stations' means of January and July from
// climate normals, rounded, from memory.
func TestUsualAir(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name               string
		lat, lon, altitude float64
		january, july      float64
		colder, milder     float64 // January may be so much off, by what the guess says of itself
	}{
		{"de Bilt", 52.1, 5.2, 2, 3, 18, 12, 10}, {"Winnipeg", 49.9, -97.2, 240, -16, 20, 12, 10}, {"Lisbon", 38.7, -9.1, 80, 12, 24, 12, 10},
		{"Denver", 39.8, -104.9, 1600, 0, 24, 12, 10}, {"Singapore", 1.4, 103.8, 15, 27, 28, 2, 2}, {"Melbourne", -37.8, 145, 30, 21, 10, 6, 6},
		{"Duluth", 46.8, -92.1, 430, -12, 19, 12, 10}, {"Bergen", 60.4, 5.3, 10, 2, 15, 12, 10}, {"Moscow", 55.8, 37.6, 150, -7, 19, 12, 10}, {"Vancouver", 49.2, -123.1, 5, 4, 18, 12, 10},
	} {
		normal := UsualAir(c.lat, c.lon, c.altitude)
		air := normal.Months(c.lat)
		if air[0]-c.january > c.colder || c.january-air[0] > c.milder || math.Abs(air[6]-c.july) > 12 {
			t.Errorf("%s: January %.0f °C, July %.0f °C; in truth %.0f and %.0f", c.name, air[0], air[6], c.january, c.july)
		}
	}
}
