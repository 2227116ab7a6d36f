package lookback_test

import (
	"math"
	"testing"
	"time"

	"ebbwatch/cmd/internal/lookback"
	"ebbwatch/collector/reading"
	"ebbwatch/collector/sim"
	"ebbwatch/estimator/battery"
	"ebbwatch/estimator/outlook"
)

// lived lets the simulated node of the demonstration live for some days and records it as
// the history would, in steps of five minutes. Its sun, sky, panel and cells are formulas
// of their own. act may do something to the node each minute.
func lived(seed uint64, days int, act func(*sim.Site, time.Time)) (steps []lookback.Step, truth struct{ pv, load, past float64 }, spec sim.Spec) {
	spec = sim.DemoSpec(seed)
	start := time.Date(2026, 2, 1, 0, 0, 0, 0, time.UTC)
	clearness := make([]float64, days)
	for i := range clearness {
		clearness[i] = [7]float64{0.7, 0.25, 0.6, 0.72, 0.15, 0.4, 0.68}[i%7]
	}
	spec = spec.Under(sim.Story(spec.Latitude, spec.Longitude, start, clearness, 5))
	site := sim.New(spec)
	for i := range days * 288 {
		at := start.Add(time.Duration(i) * 5 * time.Minute)
		n := map[reading.Quantity]float64{}
		sums := map[reading.Quantity]float64{}
		s := lookback.Step{At: at, Span: 5 * time.Minute, Boot: 1, UptimeLow: float64(300 * i), UptimeHigh: float64(300*i + 290),
			Chance24: nan(), Chance72: nan(), PVSky: nan(), ControllerCelsius: nan()}
		for range 5 {
			site.Step(time.Minute)
			act(site, site.Now())
			r, tr := site.Reading(), site.Truth()
			for q := range reading.NumSite {
				if x, known := r.Get(q); known {
					sums[q], n[q] = sums[q]+x, n[q]+1
				}
			}
			volts, _ := r.Get(reading.BatteryVolts)
			amps, _ := r.Get(reading.BatteryAmps)
			s.BatteryIn += 60 * max(0, volts*amps)
			s.BatteryOut += 60 * max(0, -volts*amps)
			s.SoC = tr.SoC
			truth.pv, truth.load = truth.pv+tr.PanelWatts/60, truth.load+tr.LoadWatts/60
			truth.past += tr.UnmeteredWatts / 60
			s.UnmeteredWatts += tr.UnmeteredWatts / 5
		}
		mean := func(q reading.Quantity) float64 { return sums[q] / n[q] }
		s.PV, s.Load = 300*mean(reading.PanelWatts), 300*mean(reading.LoadWatts)
		s.Volts, s.LoadWatts, s.LoadOn, s.PanelVolts = mean(reading.BatteryVolts), mean(reading.LoadWatts), mean(reading.LoadOn), mean(reading.PanelVolts)
		s.ChargeWatts = mean(reading.ChargeAmps) * s.Volts
		s.BatteryCelsius, s.AirCelsius, s.Stage = mean(reading.BatteryCelsius), site.Truth().AirCelsius, math.Round(mean(reading.ChargeStage))
		steps = append(steps, s)
	}
	return steps, truth, spec
}

// made is the report of such a life.
func made(steps []lookback.Step, spec sim.Spec) lookback.Report {
	return lookback.Make(lookback.Input{Site: "slipway", From: steps[0].At, To: steps[len(steps)-1].At.Add(5 * time.Minute), Steps: steps, Health: nan(),
		Battery: battery.Battery{CapacityAh: 90, Cells: 4, Reserve: 0.2},
		Array: outlook.Site{Latitude: spec.Latitude, Longitude: spec.Longitude, WattsPeak: spec.Panel.WattsPeak,
			TiltDeg: spec.Panel.TiltDeg, AzimuthDeg: spec.Panel.AzimuthDeg, MPPT: true}})
}

// Held against a node whose truth is known and whose formulas are not ours.
func TestLedgerAgainstASimulatedNode(t *testing.T) {
	t.Parallel()
	for seed := range uint64(5) {
		steps, truth, spec := lived(seed, 28, func(*sim.Site, time.Time) {})
		r := made(steps, spec)
		t.Logf("seed %d: ledger %+v, harvest %+v", seed, r.Ledger, r.Harvest)
		for name, c := range map[string][3]float64{
			"panel": {r.Ledger.Panel, truth.pv, 0.03 * truth.pv},
			"load":  {r.Ledger.Load, truth.load, 0.03 * truth.load},
			"past":  {r.Ledger.Unmetered, truth.past, 0.03 * truth.past},
			// A LiFePO4 battery gives back some 92 to 98 % (common practice).
			"lost in the battery": {r.Ledger.Kept, 0.05 * r.Ledger.Into, 0.04 * r.Ledger.Into},
			"unaccounted":         {r.Ledger.Unaccounted, 0, 0.02 * truth.pv},
			"blamed on shade":     {r.Harvest.Missing[lookback.Shade], 0, 1},
			"blamed on dirt":      {r.Harvest.Missing[lookback.Dirt], 0, 1},
		} {
			if math.Abs(c[0]-c[1]) > c[2] {
				t.Errorf("seed %d: %s: %.0f Wh, in truth %.0f", seed, name, c[0], c[1])
			}
		}
	}
}

// A panel that is covered, as by snow in frost, and uncovered again.
func TestCoveredPanelAgainstASimulatedNode(t *testing.T) {
	t.Parallel()
	covered := func(s *sim.Site, now time.Time) {
		share := 0.0
		if d := now.YearDay(); d >= 45 && d < 48 {
			share = 1
		}
		s.Cover(share)
	}
	steps, _, spec := lived(3, 28, covered)
	for i := range steps {
		if d := steps[i].At.YearDay(); d >= 45 && d < 48 {
			steps[i].AirCelsius = -2
		}
	}
	r := made(steps, spec)
	for _, d := range r.Days {
		yd := d.Date.YearDay()
		if want := yd >= 45 && yd < 48; d.Snowy != want && d.Clear > 0 { // it dies on the third day
			t.Errorf("%s: snow %v, want %v (%.0f of %.0f Wh)", d.Date.Format(time.DateOnly), d.Snowy, want, d.Got, d.Clear)
		}
	}
}

// A camera is plugged in on the twelfth day.
func TestCreepAgainstASimulatedNode(t *testing.T) {
	t.Parallel()
	steps, _, spec := lived(3, 24, func(s *sim.Site, now time.Time) {
		if now.YearDay() == 43 && now.Hour() == 9 && now.Minute() == 0 {
			s.Plug(3, false)
		}
	})
	c := made(steps, spec).Creep
	if c == nil || c.Since.YearDay() < 43 || c.Since.YearDay() > 44 || math.Abs(c.After-c.Before-3) > 0.5 {
		t.Errorf("creep %+v, want 3 W since day 43", c)
	}
	steps, _, spec = lived(3, 24, func(*sim.Site, time.Time) {})
	if c := made(steps, spec).Creep; c != nil {
		t.Errorf("creep %+v where there is none", c)
	}
}
