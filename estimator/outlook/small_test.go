package outlook

import (
	"math"
	"testing"
	"time"
)

// TestOutlookBeatsTheBaseRate is the small sister of [TestStudy]: five years at one
// station, one node with about three outages a year, charge known to 3 %, everything else
// learned on the way. The bounds are those of the whole study without a forecast, and a
// little below them with one, since few outages are many per cent. Source of the weather:
// KNMI, Hoogeveen.
func TestOutlookBeatsTheBaseRate(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("skipped: needs some seconds")
	}
	w, s := station(t, "279").until(5*365), measuredShapes(t)
	for _, c := range []struct {
		name     string
		forecast bool
		want     [5]float64 // least Brier skill; 0 is not judged
	}{
		{"without a forecast", false, [5]float64{2: 0.45, 4: 0.25}},
		{"with one", true, [5]float64{2: 0.65, 4: 0.45}},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			tr := w.try(setting{node: studyNodes()["b small"], forecast: c.forecast, thin: 4, seed: 5}, s, 60)
			for i, span := range Withins() {
				got := scoreOf(w, tr.rows, i)
				t.Logf("%4d h: %v", span, got)
				if c.want[i] > 0 && got.skill < c.want[i] {
					t.Errorf("within %d h: skill %.2f, want at least %.2f", span, got.skill, c.want[i])
				}
				if c.want[i] > 0 && got.skill < got.straight {
					t.Errorf("within %d h: skill %.2f, a straight line has %.2f", span, got.skill, got.straight)
				}
			}
		})
	}
}

// A record from before 1970 is lived through like any other.
func TestLoadBefore1970(t *testing.T) {
	t.Parallel()
	m := testModel()
	at := func(year int) float64 {
		s := live(m, m.Start(), time.Date(year, 3, 2, 0, 0, 0, 0, time.UTC), 9, 10, 0.6) // a Monday
		return s.Load.at(time.Date(year, 3, 12, 20, 0, 0, 0, time.UTC))
	}
	if before, after := at(1959), at(1987); math.Abs(before-after) > 1e-9 {
		t.Errorf("the load is %.4f W in 1959 and %.4f in 1987", before, after)
	}
}
