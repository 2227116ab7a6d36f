package outlook

import (
	"math"
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
	if x, known := l.Creep(); known {
		t.Errorf("after ten days creep is told as %.3f", x)
	}
	live(10, 40, 10)
	if x, known := l.Creep(); !known || math.Abs(x) > 0.01 {
		t.Errorf("a steady load: creep %.3f, %v", x, known)
	}
	live(40, 52, 11)
	if x, _ := l.Creep(); x < 0.06 || x > 0.1 {
		t.Errorf("twelve days after a growth by a tenth: creep %.3f", x)
	}
	live(52, 240, 11)
	if x, _ := l.Creep(); math.Abs(x) > 0.01 {
		t.Errorf("half a year later: creep %.3f", x)
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
