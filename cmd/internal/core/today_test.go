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

// The harvest of whole days is told against what their skies should have given, of those alone on
// which the charger took all there was.
func TestWholeDaysAreHeldAgainstTheirSkies(t *testing.T) {
	t.Parallel()
	var m Memory
	day := func(date string, harvest, held, ran float64) {
		m.countDay(Today{Date: date, Harvest: harvest * 3600, Sky: 100 * 3600, Held: held, Ran: ran, PanelSeen: true})
	}
	for i, harvest := range []float64{80, 80, 80, 80, 40} {
		day(time.Date(2026, 11, 1+i, 0, 0, 0, 0, time.UTC).Format(time.DateOnly), harvest, 0, 86400)
	}
	facts := func(yesterday string) map[string]float64 {
		x := map[string]float64{}
		m.dayFacts(yesterday, x)
		return x
	}
	day("2026-11-06", 1, 0, 60)
	x := facts("2026-11-05")
	if x["harvest_yesterday_ratio"] != 0.4 || x["harvest_yesterday_joules"] != 40*3600 || x["harvest_week_ratio"] != 0.72 {
		t.Errorf("five whole days: %v", x)
	}
	day("2026-11-07", 5, 600, 86400) // the 6th was seen for a minute alone
	if x := facts("2026-11-06"); len(x) != 1 {
		t.Errorf("yesterday was not seen whole: %v", x)
	}
	day("2026-11-08", 1, 0, 60) // the 7th was held back
	x = facts("2026-11-07")
	if _, told := x["harvest_yesterday_ratio"]; told || x["harvest_yesterday_joules"] != 5*3600 {
		t.Errorf("yesterday was held back: %v", x)
	}
}
