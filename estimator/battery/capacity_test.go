package battery

import (
	"math"
	"testing"
	"time"

	"ebbwatch/collector/reading"
	"ebbwatch/collector/sim"
)

// TestCapacityAfterADeepSwing takes away most of the panel of nodes in spring, so that each
// goes once from full down to the knee, and compares the capacity then believed, at the
// temperature of that moment, with the truth.
func TestCapacityAfterADeepSwing(t *testing.T) {
	t.Parallel()
	var sum tally
	for seed := uint64(300); seed < 308; seed++ {
		spec := demoNode(t, seed)
		spec.Start = time.Date(2003, 4, 1, 0, 0, 0, 0, time.UTC)
		spec.Battery.StartSoC = 0.9
		spec.Panel.WattsPeak *= 2
		site, m := sim.New(spec), studyModel(spec.Battery.LabelAh)
		s := m.Start()
		dark := time.Duration(0)
		for range 60 * 288 {
			site.Step(5 * time.Minute)
			r := site.Reading()
			if r.Empty() {
				continue
			}
			r.Mono = r.Wall.Sub(spec.Start) // goes on when the site is another
			s = m.Step(s, r)
			b := m.Belief(&s)
			if b.SinceFull == 0 && s.SinceAnchor == 0 && dark == 0 && site.Now().Sub(spec.Start) > 20*24*time.Hour {
				dark = 1
				night := site.Spec()
				night.Panel.WattsPeak = 0.01
				site = resume(site, night)
			}
			if dark > 0 && site.Truth().SoC < 0.06 {
				e := b.UsableAh/site.Truth().UsableAh - 1
				sum.add(e)
				t.Logf("node %d: label %.0f Ah, holds %.1f Ah, believed %.1f±%.1f Ah (%+.1f %%), health %.2f±%.2f", seed, spec.Battery.LabelAh, site.Truth().UsableAh, b.UsableAh, b.UsableAhSD, 100*e, b.Health, b.HealthSD)
				break
			}
		}
	}
	if len(sum.abs) < 6 || sum.rms() > 0.05 {
		t.Errorf("after one deep swing of %d nodes the capacity is off by %.1f %% rms, want at most 5 %%", len(sum.abs), 100*sum.rms())
	}
}

// resume is the same node under another specification of its panel from now on.
func resume(site *sim.Site, spec sim.Spec) *sim.Site {
	spec.Battery.StartSoC = site.Truth().SoC
	spec.Start = site.Now()
	return sim.New(spec)
}

// TestHealthRefusesToGuess: without a swing the label is all there is.
func TestHealthRefusesToGuess(t *testing.T) {
	t.Parallel()
	m := model()
	s := run(m, m.Start(), 0, 600, 14.2, 0.5)
	if b := m.Belief(&s); !math.IsNaN(b.Health) || b.UsableAhSD < 5 {
		t.Errorf("health %.2f±%.2f, usable %.0f±%.0f Ah from a battery that never moved", b.Health, b.HealthSD, b.UsableAh, b.UsableAhSD)
	}
}

// TestAnySubsetWillDo lets one node be seen through fewer and fewer meters. The belief never
// stops, its band widens, and it still holds the truth most of the time.
func TestAnySubsetWillDo(t *testing.T) {
	t.Parallel()
	last := 0.0
	for _, c := range []struct {
		name  string
		what  []reading.Quantity
		rms   float64
		cover float64
	}{
		{"battery current", []reading.Quantity{reading.BatteryVolts, reading.BatteryAmps, reading.BatteryCelsius}, 0.04, 0.8},
		{"charge and load", []reading.Quantity{reading.BatteryVolts, reading.ChargeAmps, reading.LoadAmps}, 0.05, 0.75},
		{"powers", []reading.Quantity{reading.BatteryVolts, reading.PanelWatts, reading.LoadWatts}, 0.05, 0.75},
		{"voltage alone", []reading.Quantity{reading.BatteryVolts}, 0.25, 0.75},
		{"powers without a voltage", []reading.Quantity{reading.PanelWatts, reading.LoadWatts}, 0.45, 0.75},
	} {
		spec := demoNode(t, 2)
		spec.Sensors.Quantities = c.what
		v := liveElsewhere(spec, 150, nil)
		width := quantile(v.widths, .5)
		t.Logf("%s: rms %.3f, band holds %.3f, width %.3f; table rms %.3f", c.name, v.all.rms(), v.cover(), width, v.table.rms())
		if v.all.rms() > c.rms || v.cover() < c.cover || width < 0.6*last {
			t.Errorf("%s: rms %.3f, band holds %.3f, width %.3f after %.3f with more meters", c.name, v.all.rms(), v.cover(), width, last)
		}
		last = width
	}
}

// TestFastReadings: every ten seconds or every five minutes, the belief is much the same.
func TestFastReadings(t *testing.T) {
	t.Parallel()
	every := func(step time.Duration) (Belief, float64) {
		spec := demoNode(t, 4)
		spec.Sensors.DropsPerDay = 0
		site, m := sim.New(spec), studyModel(spec.Battery.LabelAh)
		s := m.Start()
		for range int(20 * 24 * time.Hour / step) {
			site.Step(step)
			s = m.Step(s, site.Reading())
		}
		return m.Belief(&s), site.Truth().SoC
	}
	slow, truth := every(5 * time.Minute)
	fast, truth2 := every(10 * time.Second)
	t.Logf("truth %.3f, %.3f; every 5 min %.3f±%.3f, every 10 s %.3f±%.3f", truth, truth2, slow.SoC, slow.SoCSD, fast.SoC, fast.SoCSD)
	if math.Abs(slow.SoC-truth) > 0.06 || math.Abs(fast.SoC-truth2) > 0.06 || fast.SoCSD > 2*slow.SoCSD || slow.SoCSD > 3*fast.SoCSD {
		t.Errorf("truth %.3f, %.3f; every 5 min %.3f±%.3f, every 10 s %.3f±%.3f", truth, truth2, slow.SoC, slow.SoCSD, fast.SoC, fast.SoCSD)
	}
}
