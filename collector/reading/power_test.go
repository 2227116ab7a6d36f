package reading

import (
	"math"
	"testing"
)

// The expected numbers are worked out by hand from volts times amperes and the 5 % that a
// converter is taken to lose.
func TestPower(t *testing.T) {
	t.Parallel()
	type pairs map[Quantity]float64
	unknown := math.NaN()
	for _, tc := range []struct {
		name                                       string
		measured                                   pairs
		panel, charge, chargeAmps, load, loadAmps  float64
		battery                                    float64
		panelRough, chargeRough, loadRough, ampsRo float64
	}{
		{"nothing", nil, unknown, unknown, unknown, unknown, unknown, unknown, 0, 0, 0, 0},
		{"watts as measured", pairs{PanelWatts: 40, PanelVolts: 30, PanelAmps: 1, LoadWatts: 12, LoadVolts: 12, LoadAmps: 2},
			40, 38, 3.8, 12, 2, unknown, 0, 0.04, 0, 0},
		{"volts and amperes", pairs{PanelVolts: 30, PanelAmps: 2, LoadVolts: 12, LoadAmps: 1.5},
			60, 57, 5.7, 18, 1.5, unknown, 0, 0.04, 0, 0},
		{"what charges alone", pairs{ChargeAmps: 3, BatteryVolts: 13},
			39, 30, 3, unknown, unknown, unknown, 0.05, 0, 0, 0},
		{"the charging current loses nothing", pairs{ChargeAmps: 3, PanelWatts: 100},
			100, 30, 3, unknown, unknown, unknown, 0, 0, 0, 0},
		{"panel amperes alone", pairs{PanelAmps: 2},
			unknown, 20, 2, unknown, unknown, unknown, 0, 0.1, 0, 0},
		{"load amperes at the battery", pairs{LoadAmps: 2},
			unknown, unknown, unknown, 20, 2, unknown, 0, 0, 0.01, 0},
		{"load watts alone", pairs{LoadWatts: 25},
			unknown, unknown, unknown, 25, 2.5, unknown, 0, 0, 0, 0.01},
		{"out of the battery", pairs{BatteryVolts: 12.5, BatteryAmps: -4},
			unknown, unknown, unknown, unknown, unknown, -50, 0, 0, 0, 0},
		{"the battery's current without its voltage", pairs{BatteryAmps: -4},
			unknown, unknown, unknown, unknown, unknown, unknown, 0, 0, 0, 0},
	} {
		var r Reading
		for q, x := range tc.measured {
			r.Set(q, x)
		}
		const volts = 10
		check := func(what string, got Flow, want, rough float64) {
			t.Helper()
			if got.Known == math.IsNaN(want) || got.Known && (math.Abs(got.X-want) > 1e-9 || math.Abs(got.Rough-rough) > 1e-9) {
				t.Errorf("%s: %s is %+v, want %g, rough %g", tc.name, what, got, want, rough)
			}
		}
		check("panel", r.PanelPower(), tc.panel, tc.panelRough)
		check("charge", r.ChargePower(volts), tc.charge, tc.chargeRough)
		check("charging current", r.ChargeCurrent(volts), tc.chargeAmps, tc.chargeRough)
		check("load", r.LoadPower(volts), tc.load, tc.loadRough)
		check("load current", r.LoadCurrent(volts), tc.loadAmps, tc.ampsRo)
		check("battery", r.BatteryPower(), tc.battery, 0)
	}
}

// TestNothingSeenIsTheZeroFlow: a reading that shows nothing says nothing of how rough it is
// either, or whoever keeps the roughest meter of all would keep one that there is not.
func TestNothingSeenIsTheZeroFlow(t *testing.T) {
	t.Parallel()
	var r Reading
	for name, f := range map[string]Flow{
		"panel power": r.PanelPower(), "charge current": r.ChargeCurrent(13), "charge power": r.ChargePower(13),
		"load power": r.LoadPower(13), "load current": r.LoadCurrent(13), "battery power": r.BatteryPower(),
	} {
		if f != (Flow{}) {
			t.Errorf("%s of an empty reading: %+v", name, f)
		}
	}
}
