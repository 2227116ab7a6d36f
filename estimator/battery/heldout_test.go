package battery

import (
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"testing"
	"time"

	"ebbwatch/collector/needtest"
	"ebbwatch/collector/reading"
	"ebbwatch/collector/sim"
)

// The nodes and weather below were not looked at while the belief was made: seeds from 1000
// on, years from 2009 on, and the sky of two American stations. EBBWATCH_STUDY=held runs them
// and prints what comes of it.
func heldOut(t *testing.T) {
	t.Helper()
	if os.Getenv("EBBWATCH_STUDY") != "held" {
		t.Skip("skipped: needs EBBWATCH_STUDY=held (minutes)")
	}
	t.Parallel()
}

func heldStart(seed uint64) (file string, from time.Time) {
	file = []string{"knmi_279_daily.csv", "knmi_251_daily.csv"}[seed%2]
	return file, time.Date(2009+int(seed%4), time.Month(1+seed*5%12), 1, 0, 0, 0, 0, time.UTC)
}

func TestHeldOutOwnSimulator(t *testing.T) {
	heldOut(t)
	var sum verdict
	for seed := uint64(1000); seed < 1048; seed++ {
		name, from := heldStart(seed)
		sum.join(live(newSimNode(seed), simDays(t, name, from, 3*365), nil))
	}
	t.Logf("48 nodes: %v", &sum)
	sum.check(t, promised())
}

func TestHeldOutDemoSimulator(t *testing.T) {
	heldOut(t)
	var sum verdict
	for seed := uint64(1000); seed < 1048; seed++ {
		name, from := heldStart(seed)
		sum.join(liveElsewhere(demoNodeAt(t, seed, name, from), 3*365, nil))
	}
	t.Logf("48 nodes: %v", &sum)
	sum.check(t, promised())
}

// TestHeldOutSubsets takes sensors away from nodes. The limits are promised for nodes that
// measure their currents; here the band is asked to hold the truth whatever is measured.
func TestHeldOutSubsets(t *testing.T) {
	heldOut(t)
	for _, c := range []struct {
		name string
		of   []reading.Quantity
	}{
		{"battery current", []reading.Quantity{reading.BatteryVolts, reading.BatteryAmps}},
		{"charge and load", []reading.Quantity{reading.BatteryVolts, reading.ChargeAmps, reading.LoadAmps}},
		{"watts", []reading.Quantity{reading.BatteryVolts, reading.PanelWatts, reading.LoadWatts}},
		{"charge alone", []reading.Quantity{reading.BatteryVolts, reading.ChargeAmps}},
		{"load alone", []reading.Quantity{reading.BatteryVolts, reading.LoadAmps}},
		{"voltage alone", []reading.Quantity{reading.BatteryVolts}},
		{"watts without a voltage", []reading.Quantity{reading.PanelWatts, reading.LoadWatts}},
	} {
		var sum verdict
		for seed := uint64(1000); seed < 1012; seed++ {
			name, from := heldStart(seed)
			spec := demoNodeAt(t, seed, name, from)
			spec.Sensors.Quantities = c.of
			sum.join(liveElsewhere(spec, 500, nil))
		}
		t.Logf("%s: %v", c.name, &sum)
		if sum.cover() < 0.8 {
			t.Errorf("%s: the band holds %.3f", c.name, sum.cover())
		}
	}
}

// TestHeldOutAmericanSky: a year of hourly measurements of NOAA SURFRAD at Desert Rock and
// Penn State, made into days; their temperatures are not in the files and assumed.
func TestHeldOutAmericanSky(t *testing.T) {
	heldOut(t)
	for _, c := range []struct {
		file             string
		lat, mean, swing float64
	}{{"surfrad_desert_rock_2018_hourly.csv", 36.6, 18, 11}, {"surfrad_penn_state_2018_hourly.csv", 40.7, 10, 12}} {
		days := surfradDays(t, c.file, c.mean, c.swing)
		var sum verdict
		for seed := uint64(1000); seed < 1024; seed++ {
			n := newSimNode(seed)
			n.lat = c.lat
			n.wp *= 0.5 // more light, smaller panel
			sum.join(live(n, days, nil))
		}
		t.Logf("%s, 24 nodes: %v", c.file, &sum)
		sum.check(t, promised())
	}
}

func surfradDays(t *testing.T, name string, mean, swing float64) []simDay {
	byDay := map[string]float64{}
	for _, row := range needtest.Rows(t, name) {
		if w, err := strconv.ParseFloat(row[1], 64); err == nil {
			at, err := time.Parse(time.RFC3339, row[0])
			if err != nil {
				t.Fatal(err)
			}
			byDay[at.Add(-6*time.Hour).Format(time.DateOnly)] += max(w, 0) / 1000
		}
	}
	rng := rand.New(rand.NewPCG(5, 5))
	var days []simDay
	weather := 0.0
	for k := range 365 {
		date := time.Date(2018, 1, 1, 0, 0, 0, 0, time.UTC).AddDate(0, 0, k)
		weather = 0.8*weather + 2*rng.NormFloat64()
		at := mean - swing*math.Cos(2*math.Pi*float64(k-20)/365) + weather
		days = append(days, simDay{date, max(byDay[date.Format(time.DateOnly)], 0.1), at - 6, at + 6})
	}
	return days
}

func demoNodeAt(t testing.TB, seed uint64, name string, from time.Time) sim.Spec {
	t.Helper()
	f, err := os.Open(needtest.Data(t, name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	days, err := sim.ReadDays(f)
	if err != nil {
		t.Fatal(err)
	}
	for len(days) > 0 && days[0].Date.Before(from) {
		days = days[1:]
	}
	return sim.RandomNode(seed).Under(days)
}
