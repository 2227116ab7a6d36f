package battery

import (
	"math"
	"os"
	"testing"

	"ebbwatch/collector/reading"
	"ebbwatch/collector/sim"
)

// sureMeters are a node's meters without zero errors, as after somebody read them with the
// battery disconnected.
func sureMeters(spec sim.Spec) sim.Spec {
	for q, e := range spec.Sensors.Errors {
		e.Offset = 0
		spec.Sensors.Errors[q] = e
	}
	return spec
}

// zeroError is what the current sensors of a node add to the discharge, A.
func zeroError(spec sim.Spec) float64 {
	for _, q := range spec.Sensors.Quantities {
		if q == reading.BatteryAmps {
			return spec.Sensors.Errors[q].Offset
		}
	}
	return spec.Sensors.Errors[reading.ChargeAmps].Offset - spec.Sensors.Errors[reading.LoadAmps].Offset
}

// TestDrainIsFound asks for the sum of what leaves unmeasured, ghost load and zero error
// together: that is what the readings can tell.
func TestDrainIsFound(t *testing.T) {
	t.Parallel()
	var sum tally
	for seed := uint64(100); seed < 108; seed++ {
		spec := demoNode(t, seed)
		spec.Load.UnmeteredFrom, spec.Load.UnmeteredUntil = 0, 0
		spec.Load.UnmeteredWatts = 0.5 + 2.5*float64(seed%8)/7
		var last Belief
		liveElsewhere(spec, 30, func(m moment) { last = m.belief })
		if last.SinceFull < 0 || last.DrainSD > 0.2 {
			t.Logf("node %d: not fit to tell after 30 days (no full yet): %.2f±%.2f W", seed, last.DrainWatts, last.DrainSD)
			continue
		}
		truth := spec.Load.UnmeteredWatts + zeroError(spec)*13.2
		sum.add(last.DrainWatts - truth)
		t.Logf("node %d: drain %.2f W, found %.2f±%.2f W", seed, truth, last.DrainWatts, last.DrainSD)
	}
	if len(sum.abs) < 4 || sum.rms() > 0.3 {
		t.Errorf("of %d nodes fit to tell, drain found with an rms error of %.2f W, want at most 0.3", len(sum.abs), sum.rms())
	}
}

// TestGhostLoad asks for the ghost load alone where the meters' zero is known, and for no
// ghost where there is none.
func TestGhostLoad(t *testing.T) {
	t.Parallel()
	var sum tally
	falseFinds, missed, judged := 0, 0, 0
	for seed := uint64(200); seed < 208; seed++ {
		spec := sureMeters(demoNode(t, seed))
		unmetered := []float64{0, 0.8, 1.4, 0, 2, 2.8}[seed%6]
		spec.Load.UnmeteredWatts, spec.Load.UnmeteredFrom, spec.Load.UnmeteredUntil = unmetered, 0, 0
		m := studyModel(spec.Battery.LabelAh)
		m.Battery.ZeroAmps = 0.005
		was := false
		var last Belief
		liveElsewhere(spec, 60, func(now moment) {
			last = m.Belief(now.state)
			found := m.split(now.state).sure > unmeteredSure && last.SinceFull >= 0
			if found && !was && unmetered == 0 {
				falseFinds++
			}
			was = found
		})
		if last.DrainSD > 0.2 || last.SinceFull < 0 {
			continue // no closure yet
		}
		judged++
		if unmetered > 0 && !was {
			missed++
		}
		sum.add(last.UnmeteredWatts - unmetered)
		t.Logf("node %d: ghost %.1f W, found %.2f±%.2f W", seed, unmetered, last.UnmeteredWatts, last.UnmeteredSD)
	}
	if judged < 3 || sum.rms() > 0.3 || falseFinds > 1 || missed > 1 {
		t.Errorf("%d judged: rms error %.2f W, %d false finds, %d missed", judged, sum.rms(), falseFinds, missed)
	}
}

// TestSplitSaysHowLittleItKnows: a constant drain may be zero error or load alike.
func TestSplitSaysHowLittleItKnows(t *testing.T) {
	t.Parallel()
	m := model()
	for _, c := range []struct {
		name         string
		drain, night float64 // A
		zero         float64 // A
		least, most  float64 // W
		sdLeast      float64
		sure         bool
	}{
		{"nothing leaves", 0, 0, 0, 0, 0.5, 0.1, false},
		{"the sensor reads the other way", -0.05, 0, 0, 0, 0.3, 0, false},
		{"as much as a sensor may be off", 0.05, 0, 0, 0.1, 1.1, 0.3, false},
		{"more than a sensor is off", 0.2, 0, 0, 2, 3, 0.3, true},
		{"the same with a sensor whose zero is known", 0.05, 0, 0.004, 0.5, 0.8, 0.05, true},
		{"further below nothing than any sensor is off", -0.5, 0, 0, 0, 0, 0, false},
		{"the same with a sensor whose zero is known", -0.5, 0, 0.004, 0, 0, 0, false},
		{"more than any load past the meters", 3, 0, 0, 7, 45, 0, true},
		{"a load of the dark hours", 0.04, 0.08, 0, 0.5, 1.2, 0.05, true},
	} {
		s := m.Start()
		s.Gauss.set(iDrain, c.drain, 0.005)
		s.Gauss.set(iNightDrain, c.night, 0.008)
		m.Battery.ZeroAmps = c.zero
		g := m.split(&s)
		if g.watts < c.least || g.watts > c.most || g.sd < c.sdLeast || (g.sure > unmeteredSure) != c.sure {
			t.Errorf("%s: %.2f±%.2f W, sure %.3f", c.name, g.watts, g.sd, g.sure)
		}
		if math.IsNaN(g.watts) {
			t.Errorf("%s: not a number", c.name)
		}
	}
}

// TestNoFalseAlarms: nodes without a ghost load, whose meters are off by what meters are
// usually off, are told of none; and nobody changed their batteries. The study takes thirty
// nodes for a year.
func TestNoFalseAlarms(t *testing.T) {
	t.Parallel()
	finds, swaps, years := 0, 0, 0.0
	last, days := uint64(404), 180
	if os.Getenv("EBBWATCH_STUDY") == "1" {
		last, days = 430, 365
	}
	for seed := uint64(400); seed < last; seed++ {
		spec := demoNode(t, seed)
		spec.Load.UnmeteredWatts = 0
		found, swapped := false, false
		liveElsewhere(spec, days, func(m moment) {
			b := m.belief
			if b.UnmeteredFound && !found {
				finds++
				t.Logf("node %d, day %d: a ghost of %.1f W, zero error %.3f A", seed, m.day, b.UnmeteredWatts, zeroError(spec))
			}
			if b.Replaced && !swapped {
				swaps++
				t.Logf("node %d, day %d: another battery", seed, m.day)
			}
			found, swapped = b.UnmeteredFound, b.Replaced
		})
		years += float64(days) / 365
	}
	if float64(finds) > years || swaps > 0 {
		t.Errorf("in %.0f node-years %d ghosts found that are not, %d batteries taken for others", years, finds, swaps)
	}
}
