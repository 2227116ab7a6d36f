package core

import (
	"testing"
	"time"

	"ebbwatch/collector/reading"
)

// Energy that nothing measured is not told as none.
func TestTodayIsKnownWhereItWasMeasured(t *testing.T) {
	t.Parallel()
	c := New(testPlan())
	told := func(name string) bool {
		_, known := c.Snapshot(at(5 * time.Minute)).Extra[name]
		return known
	}
	for i := range 3 {
		when := time.Duration(i) * time.Minute
		take(t, c, report("charger", when, nil, reading.BatteryVolts, 13.1))
		c.Step(at(when))
	}
	if told("harvest_today_joules") || told("load_today_joules") || !told("harvest_clear_today_joules") {
		t.Error("energy is told that nothing measured")
	}
	take(t, c, report("charger", 3*time.Minute, nil, reading.BatteryVolts, 13.1, reading.PanelWatts, 0.0))
	c.Step(at(3 * time.Minute))
	if !told("harvest_today_joules") || told("load_today_joules") {
		t.Error("a panel that was measured, or a load that was not, is not told as it is")
	}
}
