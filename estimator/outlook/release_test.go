package outlook

import (
	"math"
	"testing"

	"ebbwatch/collector/reading"
)

// TestReleaseTemperature: a protection that refuses below freezing lets the charge in again at 3.5 °C.
// After two mornings that is known; one that never refuses, or whose release nobody saw because it
// was overcast for hours, is not.
func TestReleaseTemperature(t *testing.T) {
	t.Parallel()
	live := func(mornings int, lets, seen float64) Temperatures {
		var w Temperatures
		for range mornings {
			w.Frozen = true
			for k := range 100 {
				celsius := -2 + float64(k)/10
				var r reading.Reading
				r.Set(reading.BatteryCelsius, celsius)
				charged := celsius >= lets
				if charged && celsius < lets+seen {
					w.SinceRefused += 0.1 // neither refused nor charged: a dull hour
					continue
				}
				w.refusedCharge(&r, !charged, charged, 0.1)
			}
		}
		return w
	}
	for _, c := range []struct {
		name       string
		mornings   int
		lets, seen float64
		known      bool
	}{
		{"two mornings", 2, 3.5, 0, true},
		{"one morning", 1, 3.5, 0, false},
		{"takes charge in the cold", 4, -9, 0, false},
		{"dull when it lets go", 4, 3.5, 3, false},
	} {
		w := live(c.mornings, c.lets, c.seen)
		got, known := w.ReleaseCelsius()
		if known != c.known || known && math.Abs(got-c.lets) > 0.2 {
			t.Errorf("%s: lets the charge in at %.1f °C, known %v; want %.1f, %v", c.name, got, known, c.lets, c.known)
		}
	}
}
