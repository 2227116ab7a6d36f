package core

import (
	"testing"
	"time"

	"ebbwatch/collector/reading"
)

func TestNewBatteryForgetsTheOld(t *testing.T) {
	t.Parallel()
	c := New(testPlan())
	for i := range 120 {
		when := time.Duration(i) * time.Minute
		take(t, c, report("charger", when, nil, reading.BatteryVolts, 12.9, reading.BatteryAmps, -12.0))
		c.Step(at(when))
	}
	worn := c.Belief().SoC
	if err := c.Do(Request{NewBattery: true}, start().Add(2*time.Hour)); err != nil {
		t.Fatal(err)
	}
	take(t, c, report("charger", 2*time.Hour, nil, reading.BatteryVolts, 13.2, reading.BatteryAmps, -1.0))
	c.Step(at(2 * time.Hour))
	if fresh := c.Belief().SoC; fresh < worn+0.1 {
		t.Errorf("charge %.2f before and %.2f after the battery was replaced by one at 0.7", worn, fresh)
	}
}
