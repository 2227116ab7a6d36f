package plausible

import (
	"math"
	"testing"
	"time"

	"ebbwatch/collector/reading"
)

// TestNoProbe: a battery that stands at exactly 25.0 °C for three days has no probe; one that stands
// at another temperature, or moves now and then, has.
func TestNoProbe(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name    string
		celsius func(hour int) float64
		after   int // h after which it is doubted; 0 is never
	}{
		{"no probe", func(int) float64 { return 25 }, 72},
		{"a cellar", func(int) float64 { return 12 }, 0},
		{"a mild box", func(hour int) float64 { return 25 + math.Round(math.Sin(float64(hour)/24*2*math.Pi)) }, 0},
		{"connected on the fifth day", func(hour int) float64 { return 25 - float64(max(hour-96, 0)) }, 72},
	} {
		var s State
		at, first, last := time.Date(2024, 5, 1, 0, 0, 0, 0, time.UTC), -1, -1
		for k := range 6 * 24 * 7 {
			d := time.Duration(k) * 10 * time.Minute
			values := []reading.Value{{Quantity: reading.BatteryCelsius, X: c.celsius(k / 6)}}
			values, s = Step(s, reading.Stamp{Mono: d, Wall: at.Add(d), Trusted: true}, values, Context{SunElevation: math.NaN()})
			if values[0].Suspect != "" {
				if first < 0 {
					first = k / 6
				}
				last = k / 6
			}
		}
		if c.after == 0 && first >= 0 || c.after > 0 && (first < c.after || first > c.after+2) {
			t.Errorf("%s: doubted from hour %d to %d, want from %d", c.name, first, last, c.after)
		}
		if c.name == "connected on the fifth day" && last > 96 {
			t.Errorf("%s: still doubted in hour %d", c.name, last)
		}
	}
}
