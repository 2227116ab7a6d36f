package battery

import (
	"math"
	"testing"
	"time"

	"ebbwatch/collector/reading"
)

// powersAlone feeds a 100 Ah battery whose node knows nothing but the power of its panel and its
// load, a reading each five minutes from one minute to another.
func powersAlone(m Model, s State, from, to int, panel, load func(k int) float64) State {
	for k := from; k < to; k += 5 {
		at := time.Duration(k) * time.Minute
		r := reading.Reading{Stamp: reading.Stamp{Wall: time.Date(2026, 4, 1, 6, 0, 0, 0, time.UTC).Add(at), Mono: at, Trusted: true}}
		r.Set(reading.PanelWatts, panel(k))
		r.Set(reading.LoadWatts, load(k))
		s = m.Step(s, r)
	}
	return s
}

func constant(x float64) func(int) float64 { return func(int) float64 { return x } }

// varied is a load that changes from reading to reading.
func varied(k int) float64 { return 10 + float64(k/5%4) }

// TestAChargerThatFollowsTheLoadIsFull: where no voltage is measured, a panel that gives just what a
// varying load takes has a full battery behind it; one that gives the same whatever the load takes
// has not.
func TestAChargerThatFollowsTheLoadIsFull(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name  string
		panel func(int) float64
		want  bool
	}{
		{"gives what the load takes", func(k int) float64 { return varied(k) / 0.95 }, true},
		{"gives the same all the while", constant(40), false},
		{"gives what it likes", func(k int) float64 { return 40 - 4*float64(k/5%3) }, false},
	} {
		m := Model{Battery: Battery{CapacityAh: 100, Cells: 4, InitialSoC: 0.5}}
		s := powersAlone(m, m.Start(), 0, 120, constant(60), varied)
		s = powersAlone(m, s, 120, 240, c.panel, varied)
		if b := m.Belief(&s); s.FullSeen != c.want || c.want && b.SoC < 0.85 || !c.want && b.SoC > 0.75 {
			t.Errorf("%s: full is %v, charge %.2f [%.2f, %.2f]", c.name, s.FullSeen, b.SoC, b.Low, b.High)
		}
	}
}

// TestALoadThatIsCutOffIsALowBattery: where no voltage is measured, a load that ends by itself says
// that the charge is low, and that it was believed too high; where it comes on again though nothing
// flowed in, somebody had switched it, and nothing is known.
func TestALoadThatIsCutOffIsALowBattery(t *testing.T) {
	t.Parallel()
	m := Model{Battery: Battery{CapacityAh: 100, Cells: 4, InitialSoC: 0.5}}
	lived := powersAlone(m, m.Start(), 0, 5*1440, constant(0), varied)
	before := m.Belief(&lived)
	cut := powersAlone(m, lived, 5*1440, 5*1440+60, constant(0), constant(0))
	if b := m.Belief(&cut); b.SoC > 0.12 || b.High > 0.25 {
		t.Errorf("an hour after the cut-off: %.2f [%.2f, %.2f], before %.2f", b.SoC, b.Low, b.High, before.SoC)
	}
	sure := powersAlone(m, m.Start(), 0, 120, constant(60), varied)
	sure = powersAlone(m, sure, 120, 240, func(k int) float64 { return varied(k) / 0.95 }, varied)
	off := powersAlone(m, powersAlone(m, sure, 240, 300, constant(0), constant(0)), 300, 330, constant(0), varied)
	if a, b := m.Belief(&sure), m.Belief(&off); math.Abs(a.SoC-b.SoC) > 0.15 || b.Low < 0.5 {
		t.Errorf("an hour off, just after a full: %.2f [%.2f, %.2f], before %.2f", b.SoC, b.Low, b.High, a.SoC)
	}
	back := powersAlone(m, cut, 5*1440+60, 5*1440+90, constant(0), varied)
	if b := m.Belief(&back); b.High-b.Low < 0.6 {
		t.Errorf("switched on again with nothing charged: %.2f [%.2f, %.2f], want next to nothing known", b.SoC, b.Low, b.High)
	}
	fed := powersAlone(m, cut, 5*1440+60, 5*1440+240, constant(60), constant(0))
	fed = powersAlone(m, fed, 5*1440+240, 5*1440+270, constant(60), varied)
	if b := m.Belief(&fed); b.SoC > 0.4 || b.Low > 0.25 {
		t.Errorf("charged with 60 W for three hours: %.2f [%.2f, %.2f], want about 0.2", b.SoC, b.Low, b.High)
	}
}
