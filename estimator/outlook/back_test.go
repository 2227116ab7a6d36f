package outlook

import (
	"math"
	"testing"
	"time"
)

func TestBackIsReadOffTheFuturesThatGoDark(t *testing.T) {
	t.Parallel()
	for _, row := range []struct {
		name         string
		dark         int               // futures that go dark
		back         func(int) float64 // of the i-th of them
		median, late float64
	}{
		{"none", 0, nil, math.NaN(), math.NaN()},
		{"one to a hundred", 100, func(i int) float64 { return float64(i + 1) }, 51, 95},
		{"two of twenty stay dark", 20, func(i int) float64 {
			if i >= 18 {
				return never
			}
			return float64(i)
		}, 10, math.NaN()},
		{"one of twenty stays dark", 20, func(i int) float64 {
			if i == 19 {
				return never
			}
			return float64(i)
		}, 10, 18},
	} {
		var cutoff, ends [Paths]float64
		for i := range cutoff {
			cutoff[i], ends[i] = never, never
			if i < row.dark {
				cutoff[i], ends[i] = 1, row.back(i)
			}
		}
		median, late := returnTimes(&cutoff, &ends)
		if !same(median, row.median) || !same(late, row.late) {
			t.Errorf("%s: %v and %v, want %v and %v", row.name, median, late, row.median, row.late)
		}
	}
}

func same(a, b float64) bool { return a == b || math.IsNaN(a) && math.IsNaN(b) }

// A node whose 95 Ah are to rise by 12 % at about 13.2 V while charging needs 150 Wh, for
// which a panel of 240 W that gives 0.88 of its label takes 0.71 hours of full sun.
func TestFullSunToTheReturn(t *testing.T) {
	t.Parallel()
	m := testModel()
	s := m.Start()
	o := m.Project(&s, belief(0.05), time.Date(2024, 12, 10, 16, 0, 0, 0, time.UTC), nil, 1)
	if math.Abs(o.FullSunWatts-0.88*240) > 5 || math.Abs(o.BackSunHours-0.71) > 0.04 {
		t.Errorf("%.1f W in full sun, %.2f hours of it; want 211 W and 0.71 h", o.FullSunWatts, o.BackSunHours)
	}
	if !(o.BackLateHours >= o.BackHours && o.BackHours > 12) {
		t.Errorf("back after %.0f h, at the latest %.0f h", o.BackHours, o.BackLateHours)
	}
}
