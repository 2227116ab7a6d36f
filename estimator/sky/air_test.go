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
		name string
		lat  float64
	}{{"ames_iowa", 42.02}, {"rothamsted", 51.81}, {"pergamino", -33.93}, {"palmira", 3.48}} {
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
		a, innovation := UsualAir(c.lat, 0), AirInnovation(c.lat)*AirInnovation(c.lat)
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
