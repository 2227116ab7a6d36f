package plausible

import (
	"slices"
	"testing"
	"time"

	"ebbwatch/collector/reading"
	"ebbwatch/collector/sim"
)

// pair is a charge controller and a shunt at the battery, polled apart, as two sources.
type pair struct {
	charger, shunt         State
	lastCharger, lastShunt reading.Reading
}

func atShunt(v reading.Value) bool {
	return v.Quantity == reading.BatteryVolts || v.Quantity == reading.BatteryAmps
}

// poll judges one of the two, with the other's last values beside it.
func (p *pair) poll(site *sim.Site, shunt bool, fault func([]reading.Value)) []reading.Value {
	at := site.Stamp()
	c := known(site.Spec())
	c.SunElevation = elevation(site.Spec().Latitude, site.Spec().Longitude, at.Wall)
	values := slices.DeleteFunc(site.Measured(), func(v reading.Value) bool { return atShunt(v) != shunt })
	state, last := &p.charger, &p.lastCharger
	c.Others = p.lastShunt
	if shunt {
		fault(values)
		state, last = &p.shunt, &p.lastShunt
		c.Others = p.lastCharger
	}
	*last = reading.Reading{}
	for _, v := range values {
		last.Set(v.Quantity, v.X)
	}
	values, *state = Step(*state, at, values, c)
	return values
}

// live polls the shunt every minute and the controller half a minute later.
func (p *pair) live(site *sim.Site, until time.Duration, fault func([]reading.Value)) *doubts {
	d := newDoubts()
	for t := time.Duration(0); t < until; t += time.Minute {
		for _, shunt := range []bool{true, false} {
			site.Step(30 * time.Second)
			d.note(t, p.poll(site, shunt, fault))
		}
	}
	return d
}

// Sources that are polled apart see different moments of a cloudy day; that is no fault.
func TestTwoSources(t *testing.T) {
	t.Parallel()
	for _, row := range []struct {
		name  string
		fault func([]reading.Value)
		told  bool
	}{
		{"honest", func([]reading.Value) {}, false},
		{"reversed", func(v []reading.Value) { scale(v, -1, reading.BatteryAmps) }, true},
		{"amps ×10", func(v []reading.Value) { scale(v, 10, reading.BatteryAmps) }, true},
		{"dead shunt", func(v []reading.Value) { set(v, reading.BatteryAmps, 0.02) }, true},
	} {
		t.Run(row.name, func(t *testing.T) {
			t.Parallel()
			for seed := range uint64(study(3, 100)) {
				var p pair
				d := p.live(rich(seed), 40*time.Hour, row.fault)
				if _, told := d.first[reading.BatteryAmps]; told != row.told {
					t.Errorf("node %d: %v", seed, d)
				}
				if !row.told && d.polls > 0 {
					t.Errorf("node %d: %v", seed, d)
				}
			}
		})
	}
}
