package outlook

import (
	"math"
	"testing"
	"time"

	"ebbwatch/collector/reading"
	"ebbwatch/estimator/battery"
)

// A board without a clock of its own must still see the end of a battery that empties.
func TestLoadIsLearnedWithoutAClock(t *testing.T) {
	t.Parallel()
	m := Model{
		Site:    Site{Latitude: 52.75, Longitude: 6.57, WattsPeak: 100, TiltDeg: 60, AzimuthDeg: 180, MPPT: true, Zone: time.UTC},
		Battery: battery.Battery{CapacityAh: 80, Cells: 4, Reserve: 0.2, CutoffVolts: 11.6, InitialSoC: 0.35},
	}
	wall := time.Date(2026, 11, 25, 18, 0, 0, 0, time.UTC)
	s := m.Start()
	b := battery.Belief{SoC: 0.35, Low: 0.30, High: 0.40, SoCSD: 0.03, UsableAh: 80, UsableAhSD: 4}
	for i := range 30 {
		r := reading.Reading{Stamp: reading.Stamp{Mono: time.Duration(i) * 10 * time.Second, Wall: wall}}
		r.Set(reading.BatteryVolts, 12.75)
		r.Set(reading.BatteryAmps, -5)
		r.Set(reading.PanelWatts, 0)
		r.Set(reading.LoadWatts, 63.8)
		s = m.Step(s, r, b)
	}
	if s.Load.Days != 0 || s.Load.N != [2][24]uint16{} {
		t.Error("hours were learned although nobody knows the hour")
	}
	// 28 Ah at 5 A last under 6 hours; the sun is down for 14.
	o := m.Project(&s, b, wall, nil, 1)
	if h := o.Cutoff.P50; math.IsNaN(h) || h > 12 {
		t.Errorf("cut-off in %g hours, want within 12", h)
	}
}
