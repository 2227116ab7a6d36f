package sim

import (
	"math"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"ebbwatch/collector/needtest"
)

// openData opens a file of measured data kept beside the project.
func openData(t testing.TB, name string) *os.File {
	t.Helper()
	f, err := os.Open(needtest.Data(t, name))
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func hoogeveen(t testing.TB) []Day {
	t.Helper()
	f := openData(t, "knmi_279_daily.csv")
	defer f.Close()
	days, err := ReadDays(f)
	if err != nil {
		t.Fatal(err)
	}
	return days
}

// Every day's light must sum to what the weather service measured (KNMI, Hoogeveen).
func TestWeatherKeepsTheDaysSum(t *testing.T) {
	days := hoogeveen(t)
	w := NewWeather(52.75, 6.574, days, 1)
	worst, n := 0.0, 0
	for i := 400; i < 1200; i += 3 {
		d := days[i]
		from := d.Date.Add(-time.Duration(6.574 / 15 * float64(time.Hour)))
		sum := 0.0
		for k := range slotsPerDay {
			sum += w.At(from.Add(time.Duration(k)*slot)).GHI * slot.Hours() / 1000
		}
		worst, n = max(worst, math.Abs(sum-d.GHI)), n+1
	}
	if worst > 0.005 {
		t.Errorf("a day's sum is off by %.4f kWh/m²", worst)
	}
	t.Logf("%d days, worst %.5f kWh/m²", n, worst)
}

// A day half-way between grey and clear must come as broken cloud, and the others not. The
// bounds are common sense.
func TestMiddlingDaysAreBrokenCloud(t *testing.T) {
	start := time.Date(2015, 5, 1, 0, 0, 0, 0, time.UTC)
	spread := func(clearness float64) float64 {
		sum, n := 0.0, 0.0
		for seed := range uint64(20) {
			days := Story(52.75, 6.574, start, []float64{clearness}, 12)
			w := NewWeather(52.75, 6.574, days, seed)
			for m := 9 * 60; m < 15*60; m += 5 {
				at := start.Add(time.Duration(m) * time.Minute)
				sun, dist := sunAt(at, 52.75, 6.574)
				sum, n = sum+math.Abs(w.At(at).GHI/clearSky(sun.u, dist)-clearness), n+1
			}
		}
		return sum / n
	}
	grey, broken, clear := spread(0.1), spread(0.55), spread(0.99)
	if broken < 0.15 || grey > 0.08 || clear > 0.08 {
		t.Errorf("mean spread of the clearness: grey %.3f, broken %.3f, clear %.3f", grey, broken, clear)
	}
}

func TestSameMomentSameWeather(t *testing.T) {
	start := time.Date(2015, 11, 2, 0, 0, 0, 0, time.UTC)
	days := Story(52.75, 6.574, start, []float64{0.4, 0.8, 0.2}, 8)
	a, b := NewWeather(52.75, 6.574, days, 9), NewWeather(52.75, 6.574, days, 9)
	for h := range 72 {
		b.At(start.Add(time.Duration(71-h) * time.Hour)) // in another order
	}
	for h := range 72 {
		at := start.Add(time.Duration(h) * time.Hour)
		if a.At(at) != b.At(at) {
			t.Fatalf("%v: %v and %v", at, a.At(at), b.At(at))
		}
	}
}

func TestGapsTakeTheDayBefore(t *testing.T) {
	days, err := ReadDays(strings.NewReader("date,ghi_kwh_m2,t_mean_c,t_min_c,t_max_c\n" +
		"2001-06-01,6.0,15,10,20\n2001-06-04,2.0,,,\n"))
	if err != nil {
		t.Fatal(err)
	}
	w := NewWeather(52.75, 6.574, days, 1)
	if g := w.irradiation(dayNumber(days[0].Date) + 1); math.Abs(g-6) > 0.1 {
		t.Errorf("the day left out has %.2f kWh/m², want about 6", g)
	}
	if c := w.day(dayNumber(days[1].Date)).MeanC; c != 15 {
		t.Errorf("temperature not known: %v, want the day before's", c)
	}
}

func TestReadDaysSaysWhatIsWrong(t *testing.T) {
	for text, want := range map[string]string{
		"date,wind\n":                        "cannot read the days: the header has no column ghi_kwh_m2",
		"date,ghi_kwh_m2\n2001-06-31,4\n":    `cannot read the days: line 2: date: "2001-06-31" is not a day`,
		"date,ghi_kwh_m2\n2001-06-01,much\n": `cannot read the days: line 2: ghi_kwh_m2: "much" is not a number`,
	} {
		if _, err := ReadDays(strings.NewReader(text)); err == nil || err.Error() != want {
			t.Errorf("%q: got %v, want %s", text, err, want)
		}
	}
}

func percentile(all []float64, share float64) float64 {
	slices.Sort(all)
	return all[int(share*float64(len(all)-1))]
}
