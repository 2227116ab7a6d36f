package plausible

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"ebbwatch/collector/reading"
)

// A steadyNight is the node of these scenes: 100 Ah, 240 W, a radio that draws 2.1 A, polled every
// ten seconds. Written as rows of numbers, not by the simulator, so that nothing is shared with it.
type steadyNight struct {
	rng  *rand.Rand
	s    State
	at   time.Duration
	sun  float64
	volt float64
}

func newNight(seed uint64) *steadyNight {
	return &steadyNight{rng: rand.New(rand.NewPCG(seed, 77)), sun: -20, volt: 13.2}
}

func (n *steadyNight) values() []reading.Value {
	r := func(x, sd, step float64) float64 { return math.Round((x+sd*n.rng.NormFloat64())/step) * step }
	amps := r(2.1, 0.01, 0.01)
	n.volt -= 0.000005
	v := r(n.volt, 0.003, 0.01)
	return []reading.Value{
		{Quantity: reading.BatteryVolts, X: v}, {Quantity: reading.BatteryAmps, X: -r(2.12, 0.01, 0.01)}, {Quantity: reading.BatteryCelsius, X: r(6.2, 0.05, 0.1)},
		{Quantity: reading.PanelVolts, X: 0.4}, {Quantity: reading.PanelAmps, X: 0}, {Quantity: reading.PanelWatts, X: 0}, {Quantity: reading.ChargeAmps, X: 0},
		{Quantity: reading.LoadVolts, X: r(n.volt-0.02, 0.003, 0.01)}, {Quantity: reading.LoadAmps, X: amps}, {Quantity: reading.LoadWatts, X: r(amps*13.2, 0.1, 0.1)},
	}
}

// poll hands one poll over and gives the doubts.
func (n *steadyNight) poll(values []reading.Value) map[reading.Quantity]string {
	n.at += 10 * time.Second
	c := Context{Site: Site{Cells: 4, CapacityAh: 100, WattsPeak: 240}, SunElevation: n.sun}
	out, s := Step(n.s, reading.Stamp{Mono: n.at}, values, c)
	n.s = s
	doubts := map[reading.Quantity]string{}
	for _, v := range out {
		if v.Suspect != "" {
			doubts[v.Quantity] = v.Suspect
		}
	}
	return doubts
}

// day makes the values of a noon with 86 W of sun.
func (n *steadyNight) day() []reading.Value {
	v := n.values()
	n.sun = 35
	set(v, reading.PanelVolts, 17.9+0.05*n.rng.NormFloat64())
	watts := 86 + 1.5*n.rng.NormFloat64()
	set(v, reading.PanelWatts, watts)
	set(v, reading.PanelAmps, watts/17.9)
	set(v, reading.ChargeAmps, 0.95*watts/13.3)
	set(v, reading.BatteryAmps, 0.95*watts/13.3-2.12)
	set(v, reading.BatteryVolts, 13.3+0.003*n.rng.NormFloat64())
	set(v, reading.LoadVolts, 13.28)
	return v
}

// What several others contradict at once is doubted at the second or third poll, and nothing else;
// what one other contradicts, when that has had the time to catch up.
func TestContradictedAtOnce(t *testing.T) {
	t.Parallel()
	one := func(q reading.Quantity, f float64) func([]reading.Value) {
		return func(v []reading.Value) { scale(v, f, q) }
	}
	for _, row := range []struct {
		name   string
		day    bool
		fault  func([]reading.Value)
		who    reading.Quantity
		within int
		also   []reading.Quantity
	}{
		{"1.35 V for 13.5", false, one(reading.BatteryVolts, 0.1), reading.BatteryVolts, 1, nil},
		{"860 W for 86", true, one(reading.PanelWatts, 10), reading.PanelWatts, 2, nil},
		{"8.6 W for 86", true, one(reading.PanelWatts, 0.1), reading.PanelWatts, 2, nil},
		{"panel amperes tenfold", true, one(reading.PanelAmps, 10), reading.PanelAmps, 62, []reading.Quantity{reading.PanelVolts}},
		{"charging current tenfold", true, one(reading.ChargeAmps, 10), reading.ChargeAmps, 2, nil},
		{"charging current a tenth", true, one(reading.ChargeAmps, 0.1), reading.ChargeAmps, 2, nil},
		{"load watts a tenth", false, one(reading.LoadWatts, 0.1), reading.LoadWatts, 7, nil},
		{"load amperes tenfold", false, one(reading.LoadAmps, 10), reading.LoadAmps, 2, nil},
		{"load amperes wrapped", false, func(v []reading.Value) { set(v, reading.LoadAmps, 65.533) }, reading.LoadAmps, 3, nil},
		{"battery current tenfold at night", false, one(reading.BatteryAmps, 10), reading.BatteryAmps, 2, nil},
		{"battery current tenfold by day", true, one(reading.BatteryAmps, 10), reading.BatteryAmps, 2, nil},
		{"battery current reversed at night", false, one(reading.BatteryAmps, -1), reading.BatteryAmps, 7, nil},
	} {
		for seed := range uint64(20) {
			n := newNight(seed)
			values := n.values
			if row.day {
				values = n.day
			}
			for range 30 {
				if d := n.poll(values()); len(d) > 0 {
					t.Fatalf("%s: doubted before anything was wrong: %v", row.name, d)
				}
			}
			var d map[reading.Quantity]string
			for range row.within {
				v := values()
				row.fault(v)
				d = n.poll(v)
			}
			if d[row.who] == "" {
				t.Errorf("%s: not doubted after %d polls: %v", row.name, row.within, d)
			}
			for q := range d {
				if q != row.who && !slices.Contains(row.also, q) {
					t.Errorf("%s: %v is doubted as well: %s", row.name, q, d[q])
				}
			}
			for range 10 { // and forgiven when it is mended
				d = n.poll(values())
			}
			if len(d) > 0 {
				t.Errorf("%s: still doubted when it was right again: %v", row.name, d)
			}
		}
	}
}

// "Not available" as the end of a number's range is no number, also where the map does not say so.
func TestCodesAreNoNumbers(t *testing.T) {
	t.Parallel()
	n := newNight(1)
	n.poll(n.values())
	v := n.values()
	for _, q := range []reading.Quantity{reading.PanelVolts, reading.PanelAmps, reading.ChargeAmps} {
		set(v, q, 32.767)
	}
	if d := n.poll(v); len(d) != 3 {
		t.Errorf("three codes in one poll: doubted %v", d)
	}
	v = n.values()
	set(v, reading.LoadAmps, 6.5535)
	if d := n.poll(v); len(d) > 0 {
		t.Errorf("a number met a code once, by chance: %v", d)
	}
}

// A load register that is busy in some polls says nothing against the battery's current.
func TestMissingSpeaksAgainstNobody(t *testing.T) {
	t.Parallel()
	for seed := range uint64(10) {
		n := newNight(seed)
		for range 6 * 60 * 8 {
			v := n.values()
			set(v, reading.BatteryAmps, -2.1) // a coarse meter on a steady night
			if n.rng.Float64() < 0.03 {
				v = slices.DeleteFunc(v, func(v reading.Value) bool {
					return v.Quantity == reading.LoadAmps || v.Quantity == reading.LoadWatts || v.Quantity == reading.LoadVolts
				})
			}
			if d := n.poll(v); len(d) > 0 {
				t.Fatalf("seed %d, %v: doubted %v", seed, n.at, d)
			}
		}
	}
}

// An instrument that hangs repeats its last answer: told within a quarter of an hour, by night and by day.
func TestHungInstrument(t *testing.T) {
	t.Parallel()
	for _, day := range []bool{false, true} {
		n := newNight(3)
		values := n.values
		if day {
			values = n.day
		}
		for range 6 * 90 {
			if d := n.poll(values()); len(d) > 0 {
				t.Fatalf("doubted an honest instrument: %v", d)
			}
		}
		stuck := values()
		from := n.at
		for n.at < from+16*time.Minute && len(n.poll(slices.Clone(stuck))) == 0 {
		}
		if d := n.poll(slices.Clone(stuck)); len(d) < 8 {
			t.Errorf("day %v: after %v doubted only %v", day, n.at-from, d)
		}
		t.Logf("day %v: told after %v", day, n.at-from)
		if d := n.poll(values()); len(d) > 0 {
			t.Errorf("day %v: still doubted when it moves again: %v", day, d)
		}
	}
}

// A node whose load is off rests in the dark: one voltage, and nothing flows. That is no fault.
func TestANodeAtRestIsBelieved(t *testing.T) {
	t.Parallel()
	n := newNight(4)
	for range 6 * 60 * 20 {
		v := n.values()
		for i := range v {
			v[i].X = map[reading.Quantity]float64{reading.BatteryVolts: 12.1, reading.BatteryCelsius: -2}[v[i].Quantity]
		}
		if d := n.poll(v); len(d) > 0 {
			t.Fatalf("after %v: doubted %v", n.at, d)
		}
	}
}

// A current that is reversed by day, under a voltage too coarse to tell, is told once charger and
// load have moved by an ampere.
func TestReversedUnderACoarseVoltage(t *testing.T) {
	t.Parallel()
	n, sun := newNight(6), 1.0
	values := func(sign float64) []reading.Value {
		v := n.day()
		sun += 0.02 * n.rng.NormFloat64()
		scale(v, sun, reading.PanelWatts, reading.PanelAmps, reading.ChargeAmps)
		set(v, reading.BatteryAmps, sign*(valueOf(v, reading.ChargeAmps)-2.12))
		set(v, reading.BatteryVolts, 13.3)
		set(v, reading.LoadVolts, 13.3)
		return v
	}
	for range 120 {
		if d := n.poll(values(1)); len(d) > 0 {
			t.Fatalf("doubted when it was right: %v", d)
		}
	}
	var d map[reading.Quantity]string
	for range 120 {
		if d = n.poll(values(-1)); len(d) > 1 || len(d) == 1 && d[reading.BatteryAmps] == "" {
			t.Fatalf("another is doubted: %v", d)
		}
	}
	if len(d) == 0 {
		t.Error("not told in twenty minutes")
	}
}

// valueOf is a value of a list.
func valueOf(v []reading.Value, q reading.Quantity) float64 {
	return v[slices.IndexFunc(v, func(v reading.Value) bool { return v.Quantity == q })].X
}
