package core

import (
	"testing"
	"time"

	"ebbwatch/collector"
	"ebbwatch/collector/reading"
)

// TestSlowValueStaysKnown: what a source gives at each poll is unknown when a poll does not give it;
// what it asks for each ten minutes is known, with its age, until three of those have passed.
func TestSlowValueStaysKnown(t *testing.T) {
	t.Parallel()
	s := newSource(SourcePlan{Name: "controller"})
	at := func(d time.Duration) reading.Stamp { return reading.Stamp{Mono: d} }
	s.take(collector.Report{At: at(0), Values: []reading.Value{
		{Quantity: reading.BatteryVolts, X: 13.2}, {Quantity: reading.LoadAmps, X: 0.7},
		{Quantity: reading.BatteryCelsius, X: 4, Every: 10 * time.Minute},
	}})
	for d := 10 * time.Second; d <= 40*time.Minute; d += 10 * time.Second {
		s.take(collector.Report{At: at(d), Values: []reading.Value{{Quantity: reading.BatteryVolts, X: 13.2}}})
		celsius := s.measured(reading.BatteryCelsius, at(d), 10*time.Second)
		if celsius.Known != (d <= 30*time.Minute) || celsius.Known && celsius.Age != d {
			t.Fatalf("%v after it was asked for: %+v", d, celsius)
		}
		if s.measured(reading.LoadAmps, at(d), 10*time.Second).Known {
			t.Fatalf("the load's current is known %v after it was last given", d)
		}
	}
}
