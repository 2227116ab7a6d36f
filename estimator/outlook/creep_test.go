package outlook

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"ebbwatch/collector/reading"
)

// A load that grows by a tenth is told within days and becomes the usual one in some months.
func TestCreep(t *testing.T) {
	t.Parallel()
	var l Load
	from := time.Date(2024, 1, 1, 0, 0, 0, 0, time.UTC)
	live := func(first, last int, watts float64) {
		for h := first * 24; h < last*24; h++ {
			at := from.Add(time.Duration(h+1) * time.Hour)
			l.learn(at, watts*(1+0.1*math.Sin(float64(h))), 1)
		}
	}
	live(0, 10, 10)
	if x, _, known := l.Creep(); known {
		t.Errorf("after ten days creep is told as %.3f", x)
	}
	live(10, 40, 10)
	if x, _, known := l.Creep(); !known || math.Abs(x) > 0.01 {
		t.Errorf("a steady load: creep %.3f, %v", x, known)
	}
	live(40, 52, 11)
	if x, _, _ := l.Creep(); x < 0.06 || x > 0.1 {
		t.Errorf("twelve days after a growth by a tenth: creep %.3f", x)
	}
	live(52, 240, 11)
	if x, _, _ := l.Creep(); math.Abs(x) > 0.01 {
		t.Errorf("half a year later: creep %.3f", x)
	}
}

// creepTold lives a year of a load whose days and weeks differ, and grows from the 200th day on. It
// gives the days on which the rule would have been raised, by its own words: for a week.
func creepTold(seed uint64, daySD, grows float64) (days []int) {
	rng := rand.New(rand.NewPCG(seed, 12))
	var l Load
	from := time.Date(2024, 1, 1, 0, 0, 0, 0, time.UTC)
	week, since, raised := 0.0, 0, false
	for day := range 365 {
		week = 0.7*week + 0.7*daySD*rng.NormFloat64()
		watts := 10 * math.Exp(week+daySD/2*rng.NormFloat64())
		if day >= 200 {
			watts *= 1 + grows
		}
		for h := range 24 {
			l.learn(from.Add(time.Duration(day*24+h+1)*time.Hour), watts, 1)
		}
		x, sd, known := l.Creep()
		if since++; !known || x-2*sd < 0.03 || x < 0.08 {
			since = 0
		}
		switch {
		case !raised && since >= 7:
			raised = true
			days = append(days, day)
		case raised && x < 0.03:
			raised = false
		}
	}
	return days
}

// A load whose weeks differ is no creep; one that grew by more than its weeks differ is told.
func TestCreepIsNotABusyWeek(t *testing.T) {
	t.Parallel()
	const years = 40
	busy, found := 0, 0
	for seed := range uint64(years) {
		daySD := []float64{0.03, 0.08, 0.15, 0.25}[seed%4]
		busy += len(creepTold(seed, daySD, 0))
		days := creepTold(seed+100, daySD, 3*daySD+0.15)
		if n := len(days); n > 0 && days[n-1] >= 200 && days[n-1] < 240 {
			found++
		}
	}
	t.Logf("%d years: told %d times without creep, and %d of as many growths within 40 days", years, busy, found)
	if busy > 2 || found < 30 {
		t.Errorf("%d years: told %d times without creep, want at most 2; %d of as many growths within 40 days, want 30", years, busy, found)
	}
}

// What the panel should give is known under a forecast sky, at night, and never else.
func TestSkyWatts(t *testing.T) {
	t.Parallel()
	m := testModel()
	s := m.Start()
	noon := time.Date(2024, 3, 20, 11, 30, 0, 0, time.UTC)
	fc := &reading.Forecast{Issued: noon.Add(-6 * time.Hour)}
	for _, ghi := range []float64{500, 250} {
		fc.Hours = append(fc.Hours, reading.ForecastHour{
			Start: noon.Add(time.Duration(len(fc.Hours))*24*time.Hour - 30*time.Minute), GHI: ghi, CloudRatio: math.NaN(), AirCelsius: math.NaN(),
		})
	}
	bright, ok1 := m.SkyWatts(&s, noon, fc)
	dull, ok2 := m.SkyWatts(&s, noon.Add(24*time.Hour), fc)
	if !ok1 || !ok2 || !(bright > 1.8*dull) || dull <= 0 || bright > m.Site.WattsPeak {
		t.Errorf("%.1f W under a bright sky, %.1f W under a dull one (known: %v, %v)", bright, dull, ok1, ok2)
	}
	if _, known := m.SkyWatts(&s, noon.Add(3*time.Hour), fc); known {
		t.Error("an hour that the forecast does not speak of is known")
	}
	if _, known := m.SkyWatts(&s, noon, nil); known {
		t.Error("without a forecast the sky is known")
	}
	if x, known := m.SkyWatts(&s, noon.Add(12*time.Hour), nil); !known || x != 0 {
		t.Errorf("at night: %g W, %v", x, known)
	}
}
