package battery

import (
	"math"
	"testing"
	"time"

	"ebbwatch/collector/reading"
)

// afterFull is a belief a day after a full battery, with a steady load and no sun.
func afterFull(m Model) State {
	s := run(m, m.Start(), 0, 120, 14.2, 0.8)
	return run(m, s, 125, 125+26*60, 13.25, -1)
}

func TestDuplicateAndLateReadingsChangeNothing(t *testing.T) {
	t.Parallel()
	m := model()
	want := afterFull(m)
	for name, r := range map[string]reading.Reading{
		"duplicate": at(125+26*60, 13.25, -1),
		"late":      at(100, 14.2, 9),
	} {
		got := m.Step(want, r)
		if got.Gauss != want.Gauss || got.SinceFull != want.SinceFull {
			t.Errorf("a %s reading moved the belief from %v to %v", name, want.Mean[iCharge], got.Mean[iCharge])
		}
	}
}

func TestWallClockStepMovesNothing(t *testing.T) {
	t.Parallel()
	m := model()
	s := afterFull(m)
	for name, step := range map[string]time.Duration{"years on": 40000 * time.Hour, "years back": -40000 * time.Hour} {
		r := at(130+26*60, 13.25, -1)
		r.Wall = r.Wall.Add(step)
		got, want := m.Step(s, r), m.Step(s, at(130+26*60, 13.25, -1))
		if math.Abs(got.Mean[iCharge]-want.Mean[iCharge]) > 1e-9 {
			t.Errorf("a clock that stepped %s moved the charge from %v to %v", name, want.Mean[iCharge], got.Mean[iCharge])
		}
	}
}

func TestGapWidensTheBandAndGoesOnByHabit(t *testing.T) {
	t.Parallel()
	m := model()
	s := run(m, m.Start(), 0, 120, 14.2, 0.8)
	s = run(m, s, 125, 125+36*60, 0, -1) // 36 Ah out over 36 h
	before := m.Belief(&s)
	width := func(b Belief) float64 { return b.High - b.Low }
	last := width(before)
	for _, hours := range []float64{1, 6, 24} {
		gap := m.Step(s, at(125+36*60+hours*60, 0, -1))
		b := m.Belief(&gap)
		if width(b) <= last {
			t.Errorf("after %v h unseen the band is %.3f wide, before %.3f", hours, width(b), last)
		}
		last = width(b)
		if lost := before.SoC - b.SoC; lost < 0.5*hours/100 || lost > 1.7*hours/100 {
			t.Errorf("after %v h unseen with a usual load of 1 A the charge fell by %.3f", hours, lost)
		}
	}
}

// TestSilenceAfterTheCutOff: a node that fell silent when it was empty holds little while it is
// silent; when it is heard again the sun gave it something, nobody knows how much. It makes no
// difference whether the silence is seen as steps without a reading or as a gap.
func TestSilenceAfterTheCutOff(t *testing.T) {
	t.Parallel()
	m := model()
	empty := run(m, afterFull(m), 5000, 5060, 11.7, -1)
	gap := empty
	for day := range 3 {
		for h := range 24 {
			minute := 5065.0 + float64(day*24+h)*60
			gap = m.Step(gap, reading.Reading{Stamp: at(minute, 0, 0).Stamp})
		}
	}
	if b := m.Belief(&gap); b.SoC > 0.08 || b.High > 0.15 {
		t.Errorf("silent for three days after the cut-off: charge %.2f..%.2f..%.2f", b.Low, b.SoC, b.High)
	}
	back := at(5065+72*60, 13.05, 1)
	for name, s := range map[string]State{"steps": gap, "gap": empty} {
		s = m.Step(s, back)
		if b := m.Belief(&s); b.Low > 0.06 || b.High < 0.17 || b.High > 0.35 {
			t.Errorf("%s: heard again after three days: charge %.2f..%.2f..%.2f, want a band with 0.06 and 0.17 in it", name, b.Low, b.SoC, b.High)
		}
	}
	soon := m.Step(empty, at(5085, 11.7, -1))
	if b := m.Belief(&soon); b.High > 0.10 {
		t.Errorf("after a silence of 25 minutes: charge %.2f..%.2f..%.2f", b.Low, b.SoC, b.High)
	}
}

// TestClock: one gap may claim 90 days at most, and what comes twice or late is of no use.
func TestClock(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name   string
		before Clock
		mono   time.Duration
		dt     time.Duration
		fresh  bool
	}{
		{"first", Clock{}, time.Hour, 0, true},
		{"next", Clock{Set: true, Mono: time.Hour}, time.Hour + time.Minute, time.Minute, true},
		{"same", Clock{Set: true, Mono: time.Hour}, time.Hour, 0, false},
		{"late", Clock{Set: true, Mono: time.Hour}, time.Minute, 0, false},
		{"a gap of years", Clock{Set: true}, 50000 * time.Hour, longestGap, true},
	} {
		clock := c.before
		if dt, fresh := clock.pass(c.mono); dt != c.dt || fresh != c.fresh || clock.Mono != max(c.mono, c.before.Mono) {
			t.Errorf("%s: got %v, %t, the clock is at %v, want %v, %t", c.name, dt, fresh, clock.Mono, c.dt, c.fresh)
		}
	}
}
