package core

import (
	"math"
	"testing"
	"time"

	"ebbwatch/collector"
	"ebbwatch/collector/reading"
	"ebbwatch/estimator/battery"
)

// TestHeldValueIsNotStepped: a source that answers every half hour is asked about each minute. What
// it said is not stepped as if it were measured again: the belief is that of its readings alone,
// with the doubt of the half hours between them.
func TestHeldValueIsNotStepped(t *testing.T) {
	t.Parallel()
	plan := testPlan()
	plan.Battery = battery.Battery{CapacityAh: 100, Cells: 4, Reserve: 0.2, CutoffVolts: 11.6, InitialSoC: 0.5}
	plan.OutlookEvery = 1000 * time.Hour
	for k := range plan.Sources {
		plan.Sources[k].Every = 30 * time.Minute
	}
	c, m := New(plan), battery.Model{Battery: plan.Battery}
	alone := m.Start()
	for minute := range 48 * 60 {
		d := time.Duration(minute+1) * time.Minute
		now := reading.Stamp{Mono: d, Wall: start().Add(d), Trusted: true}
		if minute%30 == 0 {
			r := reading.Reading{Stamp: now}
			r.Set(reading.BatteryVolts, 13.2)
			r.Set(reading.BatteryAmps, 4*math.Sin(float64(minute)))
			alone = m.Step(alone, r)
			take(t, c, collector.Report{Source: "charger", At: now, Values: []reading.Value{
				{Quantity: reading.BatteryVolts, X: 13.2}, {Quantity: reading.BatteryAmps, X: 4 * math.Sin(float64(minute))},
			}})
		}
		c.Step(now)
	}
	want, got := m.Belief(&alone), c.Belief()
	if math.Abs(got.SoC-want.SoC) > 1e-9 || math.Abs(got.SoCSD-want.SoCSD) > 1e-9 {
		t.Errorf("polled each minute %.4f±%.4f, of the readings alone %.4f±%.4f", got.SoC, got.SoCSD, want.SoC, want.SoCSD)
	}
}
