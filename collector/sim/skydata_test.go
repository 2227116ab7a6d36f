package sim

import (
	"bufio"
	"math"
	"strconv"
	"strings"
	"testing"
	"time"
)

// hour is one measured hour.
type hour struct {
	at         time.Time
	ghi, clear float64 // W/m²; NaN when missing
}

func surfrad(t *testing.T, name string) []hour {
	t.Helper()
	f := openData(t, name)
	defer f.Close()
	lines := bufio.NewScanner(f)
	lines.Scan()
	var out []hour
	for lines.Scan() {
		cells := strings.Split(lines.Text(), ",")
		at, err := time.Parse(time.RFC3339, cells[0])
		if err != nil {
			t.Fatal(err)
		}
		number := func(s string) float64 {
			if x, err := strconv.ParseFloat(s, 64); err == nil {
				return x
			}
			return math.NaN()
		}
		out = append(out, hour{at, number(cells[1]), number(cells[2])})
	}
	return out
}

// dailySums is what a weather service would publish of the hours.
func dailySums(hours []hour, lon float64) []Day {
	sums, counts := map[int]float64{}, map[int]int{}
	first, last := math.MaxInt, math.MinInt
	for _, h := range hours {
		n := dayNumber(h.at.Add(30*time.Minute + time.Duration(lon/15*float64(time.Hour))))
		first, last = min(first, n), max(last, n)
		if !math.IsNaN(h.ghi) {
			sums[n] += h.ghi / 1000
			counts[n]++
		}
	}
	var days []Day
	for n := first; n <= last; n++ {
		if counts[n] >= 24 {
			days = append(days, Day{Date: time.Unix(int64(n)*86400, 0).UTC(), GHI: sums[n], MeanC: 10, MinC: 7, MaxC: 13})
		}
	}
	return days
}

// changes is how much the clearness changes from hour to hour by good light: the mean and
// the 90th percentile.
func changes(hours []hour, ghi func(h hour) float64) (mean, most float64) {
	var all []float64
	last := math.NaN()
	for _, h := range hours {
		k := math.NaN()
		if h.clear > 150 && !math.IsNaN(h.ghi) {
			k = ghi(h) / h.clear
		}
		if d := math.Abs(k - last); !math.IsNaN(d) {
			all = append(all, d)
			mean += d
		}
		last = k
	}
	return mean / float64(len(all)), percentile(all, 0.9)
}

// The light made from daily sums must come and go within the day about as it does in truth:
// hour to hour, against a year of measured hours at two places that were not used to make it
// (NOAA SURFRAD with McClear, from Doubleday et al. 2020). A factor of one and a half either way is asked:
// one noise for all climates is no closer.
func TestCloudsComeAndGoAsMeasured(t *testing.T) {
	for name, at := range map[string]struct{ lat, lon float64 }{
		"surfrad_penn_state_2018_hourly.csv":  {40.72, -77.93},
		"surfrad_desert_rock_2018_hourly.csv": {36.62, -116.02},
	} {
		hours := surfrad(t, name)
		w := NewWeather(at.lat, at.lon, dailySums(hours, at.lon), 7)
		made := func(h hour) float64 {
			sum := 0.0
			for i := range 12 {
				sum += w.At(h.at.Add(time.Duration(i)*slot+slot/2)).GHI / 12
			}
			return sum
		}
		mean, most := changes(hours, func(h hour) float64 { return h.ghi })
		gotMean, gotMost := changes(hours, made)
		t.Logf("%s: clearness changes by %.3f an hour (90 %% below %.3f), measured %.3f (%.3f)", name, gotMean, gotMost, mean, most)
		if gotMean < mean*0.67 || gotMean > mean*1.5 {
			t.Errorf("%s: made %.3f, measured %.3f", name, gotMean, mean)
		}
	}
}
