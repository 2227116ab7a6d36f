package battery

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"ebbwatch/collector/reading"
	"ebbwatch/collector/sim"
)

// TestWildReadingsLeaveASoundBelief feeds numbers that no battery gives, in any order of
// time, and asks that the belief stays a belief and can be kept.
func TestWildReadingsLeaveASoundBelief(t *testing.T) {
	t.Parallel()
	rng := rand.New(rand.NewPCG(1, 2))
	for _, battery := range []Battery{
		{CapacityAh: 100, Cells: 4, InitialSoC: math.NaN()},
		{CapacityAh: 5, Cells: 1, InitialSoC: 0},
		{CapacityAh: 2000, Cells: 16, InitialSoC: 1},
		{CapacityAh: 100, InitialSoC: 0.5},
	} {
		m := Model{Battery: battery}
		s, now := m.Start(), time.Duration(0)
		for k := range 20000 {
			now += time.Duration((rng.ExpFloat64() - 0.05) * float64(10*time.Minute))
			if rng.IntN(500) == 0 {
				now += time.Duration(rng.Int64N(int64(1000 * time.Hour)))
			}
			r := reading.Reading{Stamp: reading.Stamp{Mono: now, Wall: time.Unix(rng.Int64N(2e9), 0), Trusted: rng.IntN(2) == 0}}
			for q, info := range reading.Quantities() {
				if q := reading.Quantity(q); q < reading.NumSite && rng.IntN(3) > 0 {
					r.Set(q, info.Min+(info.Max-info.Min)*math.Pow(rng.Float64(), 3))
				}
			}
			s = m.Step(s, r)
			b := m.Belief(&s)
			if !(b.Low >= 0 && b.Low <= b.SoC && b.SoC <= b.High && b.High <= 1 && b.UsableAh > 0 && b.UsableAhSD >= 0 && b.SoCSD >= 0) {
				t.Fatalf("%+v, step %d: %+v", battery, k, b)
			}
			for _, x := range []float64{b.OffsetAmps, b.UnmeteredWatts, b.DrainWatts, b.MilliOhms, b.NetWatts, b.LoadWatts, b.BandPerDay} {
				if math.IsNaN(x) || math.IsInf(x, 0) {
					t.Fatalf("%+v, step %d: %+v", battery, k, b)
				}
			}
		}
		if _, err := json.Marshal(s); err != nil {
			t.Errorf("%+v: cannot keep the belief: %v", battery, err)
		}
	}
}

// TestCovarianceStaysOne watches variances and correlations of a long life.
func TestCovarianceStaysOne(t *testing.T) {
	t.Parallel()
	liveElsewhere(demoNode(t, 5), 200, func(m moment) {
		if m.hour != 0 {
			return
		}
		g := &m.state.Gauss
		for j := range unknowns {
			for k := range unknowns {
				limit := g.sd(j) * g.sd(k) * 1.001
				if g.Cov[j][j] < 0 || math.Abs(g.Cov[j][k]) > limit+1e-12 || g.Cov[j][k] != g.Cov[k][j] && math.Abs(g.Cov[j][k]-g.Cov[k][j]) > 1e-9*limit {
					t.Fatalf("day %d: covariance of %d and %d is %g and %g with spreads %g and %g", m.day, j, k, g.Cov[j][k], g.Cov[k][j], g.sd(j), g.sd(k))
				}
			}
		}
	})
}

// TestOtherVoltages: a battery of eight cells is believed as one of four is.
func TestOtherVoltages(t *testing.T) {
	t.Parallel()
	four, eight := studyModel(100), studyModel(100)
	eight.Battery.Cells = 8
	a, b := four.Start(), eight.Start()
	site := sim.New(demoNode(t, 6))
	for range 20 * 288 {
		site.Step(5 * time.Minute)
		r := site.Reading()
		a = four.Step(a, r)
		if v, ok := r.Get(reading.BatteryVolts); ok {
			r.Set(reading.BatteryVolts, 2*v)
		}
		b = eight.Step(b, r)
	}
	if x, y := four.Belief(&a), eight.Belief(&b); math.Abs(x.SoC-y.SoC) > 0.02 {
		t.Errorf("four cells are believed %.3f full, eight %.3f", x.SoC, y.SoC)
	}
}

func TestStepAllocatesNothing(t *testing.T) {
	m := model()
	s, k := m.Start(), 0.0
	if n := testing.AllocsPerRun(2000, func() {
		s = m.Step(s, at(5*k, 12.4+0.8*math.Abs(math.Sin(k/80)), 3*math.Sin(k/80)))
		k++
	}); n != 0 {
		t.Errorf("a step makes %v allocations", n)
	}
}
