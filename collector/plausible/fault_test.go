package plausible

import (
	"math"
	"slices"
	"testing"
	"time"

	"ebbwatch/collector/reading"
	"ebbwatch/collector/sim"
)

// everything is what a node measures that has a shunt and a talkative controller.
func everything() []reading.Quantity {
	return []reading.Quantity{reading.BatteryVolts, reading.BatteryAmps, reading.PanelVolts, reading.PanelAmps, reading.PanelWatts,
		reading.ChargeAmps, reading.LoadVolts, reading.LoadAmps, reading.LoadWatts, reading.LoadOn, reading.ChargeStage}
}

// rich is a node of a seed that measures everything, at the start of a May night.
func rich(seed uint64) *sim.Site {
	spec := sim.RandomNode(seed)
	spec.Sensors.Quantities, spec.Sensors.DropsPerDay = everything(), 0
	spec.Load.DayWatts, spec.Load.NightWatts = max(spec.Load.DayWatts, 8), max(spec.Load.NightWatts, 8)
	start := time.Date(2001, 5, 3, 0, 0, 0, 0, time.UTC)
	return sim.New(spec.Under(sim.Story(spec.Latitude, spec.Longitude, start, []float64{0.5, 0.6, 0.4, 0.55}, 10)))
}

// set gives a quantity another value.
func set(values []reading.Value, q reading.Quantity, x float64) {
	for i := range values {
		if values[i].Quantity == q {
			values[i].X = x
		}
	}
}

func scale(values []reading.Value, factor float64, qs ...reading.Quantity) {
	for i := range values {
		if slices.Contains(qs, values[i].Quantity) {
			values[i].X *= factor
		}
	}
}

// tell runs a node with a fault from a moment on, and says when each quantity was doubted
// after it.
func tell(site *sim.Site, every, from, until time.Duration, c Context, fault func([]reading.Value)) (before, after *doubts) {
	before, after = newDoubts(), newDoubts()
	var s State
	spec := site.Spec()
	for t := every; t <= until; t += every {
		site.Step(every)
		at, values := site.Stamp(), site.Measured()
		d := before
		if t > from {
			fault(values)
			d = after
		}
		c.SunElevation = elevation(spec.Latitude, spec.Longitude, at.Wall)
		values, s = Step(s, at, values, c)
		d.note(t-from, values)
	}
	return before, after
}

func known(spec sim.Spec) Context {
	return Context{Site: Site{Cells: 4, CapacityAh: spec.Battery.LabelAh, WattsPeak: spec.Panel.WattsPeak}}
}

// Each fault must be told in time, and the rest go on being believed. Polls are a minute
// apart; faults begin at 10 in the morning of the second day, or at the start.
func TestFaultsAreTold(t *testing.T) {
	t.Parallel()
	const at = 34 * time.Hour
	one := func(q reading.Quantity, factor float64) func([]reading.Value) {
		return func(v []reading.Value) { scale(v, factor, q) }
	}
	stick := func(q reading.Quantity) func() func([]reading.Value) {
		return func() func([]reading.Value) {
			stuck := math.NaN()
			return func(v []reading.Value) {
				if math.IsNaN(stuck) {
					stuck = v[slices.IndexFunc(v, func(x reading.Value) bool { return x.Quantity == q })].X
				}
				set(v, q, stuck)
			}
		}
	}
	same := func(f func([]reading.Value)) func() func([]reading.Value) {
		return func() func([]reading.Value) { return f }
	}
	for _, row := range []struct {
		name   string
		fault  func() func([]reading.Value)
		from   time.Duration
		within time.Duration
		who    reading.Quantity
		also   []reading.Quantity // may be doubted with it
		peak   float64            // W, panels below this may not show it in time
	}{
		{"volts ×10", same(one(reading.BatteryVolts, 10)), at, time.Minute, reading.BatteryVolts, nil, 0},
		{"volts ÷10", same(one(reading.BatteryVolts, 0.1)), at, time.Minute, reading.BatteryVolts, nil, 0},
		{"panel watts ×10", same(one(reading.PanelWatts, 10)), at, 8 * time.Hour, reading.PanelWatts, []reading.Quantity{reading.PanelAmps, reading.PanelVolts}, 0},
		{"panel watts ÷10", same(one(reading.PanelWatts, 0.1)), at, 24 * time.Hour, reading.PanelWatts, []reading.Quantity{reading.PanelAmps, reading.PanelVolts, reading.ChargeAmps}, 0},
		{"load watts ×10", same(one(reading.LoadWatts, 10)), at, 2 * time.Hour, reading.LoadWatts, []reading.Quantity{reading.LoadAmps}, 0},
		{"load watts ×100", same(one(reading.LoadWatts, 100)), at, 2 * time.Hour, reading.LoadWatts, []reading.Quantity{reading.LoadAmps}, 0},
		{"load amps ×10", same(one(reading.LoadAmps, 10)), at, 2 * time.Hour, reading.LoadAmps, []reading.Quantity{reading.LoadWatts}, 0},
		{"charge amps ×10", same(one(reading.ChargeAmps, 10)), at, 4 * time.Hour, reading.ChargeAmps, []reading.Quantity{reading.BatteryAmps, reading.PanelWatts}, 0},
		{"charge amps ÷10", same(one(reading.ChargeAmps, 0.1)), 0, 48 * time.Hour, reading.ChargeAmps, []reading.Quantity{reading.BatteryAmps, reading.PanelWatts}, 100},
		{"battery amps ×10", same(one(reading.BatteryAmps, 10)), 0, 24 * time.Hour, reading.BatteryAmps, []reading.Quantity{reading.ChargeAmps}, 0},
		{"battery amps ÷10", same(one(reading.BatteryAmps, 0.1)), 0, 24 * time.Hour, reading.BatteryAmps, []reading.Quantity{reading.ChargeAmps}, 0},
		{"battery amps reversed", same(one(reading.BatteryAmps, -1)), 0, 2 * time.Hour, reading.BatteryAmps, nil, 0},
		{"battery amps reversed by day", same(one(reading.BatteryAmps, -1)), at, 16 * time.Hour, reading.BatteryAmps, nil, 0},
		{"battery amps frozen", stick(reading.BatteryAmps), at, 24 * time.Hour, reading.BatteryAmps, nil, 0},
		{"battery amps dead", same(one(reading.BatteryAmps, 0)), 0, 16 * time.Hour, reading.BatteryAmps, nil, 0},
		{"charge amps frozen", stick(reading.ChargeAmps), at, 24 * time.Hour, reading.ChargeAmps, []reading.Quantity{reading.BatteryAmps, reading.PanelWatts}, 0},
		{"panel watts frozen", stick(reading.PanelWatts), at, 24 * time.Hour, reading.PanelWatts, []reading.Quantity{reading.BatteryAmps, reading.ChargeAmps, reading.PanelAmps, reading.PanelVolts}, 0},
		{"panel watts at night", same(func(v []reading.Value) { set(v, reading.PanelWatts, 30) }), 48 * time.Hour, 2 * time.Hour, reading.PanelWatts, nil, 0},
		{"charging at night", same(func(v []reading.Value) { set(v, reading.ChargeAmps, 3) }), 48 * time.Hour, 2 * time.Hour, reading.ChargeAmps, nil, 0},
	} {
		t.Run(row.name, func(t *testing.T) {
			t.Parallel()
			var all []time.Duration
			for seed := range uint64(study(4, 60)) {
				site := rich(seed)
				before, after := tell(site, time.Minute, row.from, row.from+row.within, known(site.Spec()), row.fault())
				if before.polls > 0 {
					t.Errorf("%s: node %d: doubted without a fault: %v", row.name, seed, before)
				}
				when, told := after.first[row.who]
				if !told && site.Spec().Panel.WattsPeak >= row.peak {
					t.Errorf("%s: node %d: not told within %v; %v", row.name, seed, row.within, after)
				}
				if told {
					all = append(all, when)
				}
				for q := range after.first {
					if q != row.who && !slices.Contains(row.also, q) {
						t.Errorf("%s: node %d: %v is doubted as well from %v: %s", row.name, seed, q, after.first[q], after.why[q])
					}
				}
			}
			slices.Sort(all)
			if len(all) == 0 {
				return
			}
			t.Logf("%s: told after %v at the latest, %v in the middle", row.name, all[len(all)-1], all[len(all)/2])
		})
	}
}

// A charging current that is ten times what charger and load say is told at the second poll, from the
// first poll on: what no meter sees is seldom just so large. By night it may be a load past the meters.
func TestTenfoldBatteryCurrentIsToldAtOnce(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name         string
		charge, load float64
		elevation    float64
	}{
		{"by day", 6, 0.9, 40},
		{"in the morning", 2.4, 0.7, 15},
		{"under a weak sun", 3.4, 2, 10},
	} {
		var s State
		for k := range 4 {
			drift := 1 + 0.02*float64(k)
			values := []reading.Value{
				{Quantity: reading.BatteryVolts, X: 13.2 + 0.01*float64(k)},
				{Quantity: reading.BatteryAmps, X: 10 * (c.charge*drift - c.load)},
				{Quantity: reading.ChargeAmps, X: c.charge * drift},
				{Quantity: reading.LoadAmps, X: c.load},
			}
			at := reading.Stamp{Wall: time.Date(2026, 4, 1, 10, k, 0, 0, time.UTC), Mono: time.Duration(k+1) * time.Minute, Trusted: true}
			values, s = Step(s, at, values, Context{Site: Site{Cells: 4, CapacityAh: 100, WattsPeak: 150}, SunElevation: c.elevation})
			if got := values[1].Suspect; (got != "") != (k >= 1) {
				t.Errorf("%s, poll %d: %.1f A is doubted for %q", c.name, k+1, values[1].X, got)
			}
			if values[2].Suspect+values[3].Suspect+values[0].Suspect != "" {
				t.Errorf("%s, poll %d: others are doubted too: %v", c.name, k+1, values)
			}
		}
	}
}
