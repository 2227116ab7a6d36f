package plausible

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"
	"time"

	"ebbwatch/collector/reading"
	"ebbwatch/collector/sim"
)

// honest changes a node in ways that are true, however odd, and must not be doubted.
func TestHonestOdditiesAreBelieved(t *testing.T) {
	t.Parallel()
	for _, row := range []struct {
		name string
		make func(seed uint64) func(site *sim.Site, at reading.Stamp, v []reading.Value) []reading.Value
	}{
		{"a switching charger, sampled", rippling},
		{"coarse display", rounding},
		{"stale registers", lagging},
		{"a charger brought at night", visiting},
		{"loads past the shunt's sibling", unmetered},
		{"only what goes into the battery", batteryOnly},
		{"second charger", second},
		{"values come and go", patchy},
		{"missing temperature probe", always25},
	} {
		t.Run(row.name, func(t *testing.T) {
			t.Parallel()
			for seed := range uint64(study(3, 60)) {
				site, odd, d := rich(seed), row.make(seed), newDoubts()
				var s State
				for t := time.Duration(0); t < 72*time.Hour; t += 30 * time.Second {
					site.Step(30 * time.Second)
					at := site.Stamp()
					values := odd(site, at, site.Measured())
					c := known(site.Spec())
					c.SunElevation = elevation(site.Spec().Latitude, site.Spec().Longitude, at.Wall)
					values, s = Step(s, at, values, c)
					d.note(at.Mono, values)
				}
				if d.polls > 0 {
					t.Errorf("node %d doubted %d values: %v", seed, d.polls, d)
				}
			}
		})
	}
}

type oddity = func(site *sim.Site, at reading.Stamp, v []reading.Value) []reading.Value

// rippling samples volts and amperes at an instant of a pulse-width charger, each on its
// own; watts are right.
func rippling(seed uint64) oddity {
	rng := rand.New(rand.NewPCG(seed, 1))
	return func(site *sim.Site, _ reading.Stamp, v []reading.Value) []reading.Value {
		truth := site.Truth()
		if site.Spec().Charger.MPPT || truth.ChargeAmps < 0.1 {
			return v
		}
		duty := 1.0
		if truth.Curtailed {
			duty = 0.3
		}
		on := rng.Float64() < duty
		amps, volts := 0.0, 20.5
		if on {
			amps, volts = truth.ChargeAmps/duty, truth.Volts+0.4
		}
		set(v, reading.PanelAmps, amps)
		set(v, reading.PanelVolts, volts)
		return v
	}
}

// rounding shows tenths of volts and amperes and whole watts.
func rounding(uint64) oddity {
	return func(_ *sim.Site, _ reading.Stamp, v []reading.Value) []reading.Value {
		for i := range v {
			step := 0.1
			if v[i].Quantity == reading.PanelWatts || v[i].Quantity == reading.LoadWatts {
				step = 1
			}
			v[i].X = math.Round(v[i].X/step) * step
		}
		return v
	}
}

// lagging gives half of the values from the poll before, as a slow register does.
func lagging(uint64) oddity {
	var last []reading.Value
	return func(_ *sim.Site, _ reading.Stamp, v []reading.Value) []reading.Value {
		now := slices.Clone(v)
		for i := range v {
			if i%2 == 0 && len(last) == len(v) {
				v[i] = last[i]
			}
		}
		last = now
		return v
	}
}

// visiting charges with 10 A from elsewhere for four hours of the second night.
func visiting(uint64) oddity {
	return func(site *sim.Site, at reading.Stamp, v []reading.Value) []reading.Value {
		if at.Mono > 45*time.Hour && at.Mono < 49*time.Hour {
			ohms := site.Spec().Battery.MilliOhms / 1000
			shift(v, reading.BatteryAmps, 10)
			shift(v, reading.BatteryVolts, 10*ohms+0.05)
			shift(v, reading.LoadVolts, 10*ohms+0.05)
		}
		return v
	}
}

// sag moves the battery's voltage as a current does, in the steps that its meter shows.
func sag(v []reading.Value, site *sim.Site, amps float64) {
	step := max(site.Spec().Sensors.Errors[reading.BatteryVolts].Step, 0.001)
	for i := range v {
		if v[i].Quantity == reading.BatteryVolts {
			v[i].X = math.Round((v[i].X+amps*site.Spec().Battery.MilliOhms/1000)/step) * step
		}
	}
}

func shift(v []reading.Value, q reading.Quantity, by float64) {
	for i := range v {
		if v[i].Quantity == q {
			v[i].X += by
		}
	}
}

// unmetered lets the shunt see an inverter and a pump that no load meter does.
func unmetered(seed uint64) oddity {
	rng := rand.New(rand.NewPCG(seed, 2))
	running := false
	return func(site *sim.Site, at reading.Stamp, v []reading.Value) []reading.Value {
		if rng.Float64() < 0.01 {
			running = !running
		}
		draw := 0.4
		if running {
			draw += 5
		}
		if h := at.Wall.Hour(); h > 9 && h < 15 {
			draw += 0.5 * site.Truth().ChargeAmps // the pump runs with the sun
		}
		shift(v, reading.BatteryAmps, -draw)
		sag(v, site, -draw)
		return v
	}
}

// batteryOnly is a controller whose charging current is what is left after the load.
func batteryOnly(uint64) oddity {
	return func(site *sim.Site, _ reading.Stamp, v []reading.Value) []reading.Value {
		truth := site.Truth()
		set(v, reading.ChargeAmps, math.Round(100*max(truth.ChargeAmps-truth.LoadWatts/max(truth.Volts, 6), 0))/100)
		return v
	}
}

// second adds another charger under the same sun, seen by the shunt alone.
func second(uint64) oddity {
	return func(site *sim.Site, _ reading.Stamp, v []reading.Value) []reading.Value {
		more := 0.8 * site.Truth().ChargeAmps
		shift(v, reading.BatteryAmps, more)
		sag(v, site, more)
		return v
	}
}

// patchy loses single values and whole polls.
func patchy(seed uint64) oddity {
	rng := rand.New(rand.NewPCG(seed, 3))
	return func(_ *sim.Site, _ reading.Stamp, v []reading.Value) []reading.Value {
		if rng.Float64() < 0.2 {
			return nil
		}
		return slices.DeleteFunc(v, func(reading.Value) bool { return rng.Float64() < 0.2 })
	}
}

// always25 is the usual answer of a controller without a probe, which proves nothing.
func always25(uint64) oddity {
	return func(_ *sim.Site, _ reading.Stamp, v []reading.Value) []reading.Value {
		return append(v, reading.Value{Quantity: reading.BatteryCelsius, X: 25})
	}
}

func TestBounds(t *testing.T) {
	t.Parallel()
	site := Site{Cells: 4, CapacityAh: 100, WattsPeak: 240}
	for _, row := range []struct {
		q    reading.Quantity
		x    float64
		site Site
		want string
	}{
		{reading.BatteryVolts, 13.2, site, ""},
		{reading.BatteryVolts, 132, site, "132 V cannot be of a battery of 4 cells"},
		{reading.BatteryVolts, 26.4, site, "26.4 V cannot be of a battery of 4 cells"},
		{reading.BatteryVolts, 26.4, Site{}, ""},
		{reading.BatteryVolts, 132, Site{}, "132 V cannot be of any working node"},
		{reading.BatteryCelsius, -127, site, "-127 °C cannot be of any working node"},
		{reading.BatteryCelsius, 25, site, ""},
		{reading.ControllerSoC, 73, site, "73 cannot be of any working node"},
		{reading.PanelWatts, 300, site, ""}, // a cloud's edge on a cold day
		{reading.PanelWatts, 700, site, "700 W cannot be of panels of 240 W"},
		{reading.PanelWatts, 700, Site{}, ""},
		{reading.LoadAmps, math.NaN(), site, "NaN A cannot be of any working node"},
		{reading.PeerRTTSeconds, 1e9, site, ""},
	} {
		in := []reading.Value{{Quantity: row.q, X: row.x}}
		out, _ := Step(State{}, reading.Stamp{Mono: time.Second}, in, Context{Site: row.site, SunElevation: math.NaN()})
		if out[0].Suspect != row.want || in[0].Suspect != "" {
			t.Errorf("%v %v: %q, want %q", row.q, row.x, out[0].Suspect, row.want)
		}
	}
}

// Two sources that measure one battery and differ by a power of ten: without a word on the
// cells nobody knows which is wrong.
func TestSlipAgainstAnotherSource(t *testing.T) {
	t.Parallel()
	var s State
	c := Context{SunElevation: math.NaN()}
	c.Others.Set(reading.BatteryVolts, 13.2)
	var out []reading.Value
	for i := range 12 {
		out, s = Step(s, reading.Stamp{Mono: time.Duration(i) * 10 * time.Second}, []reading.Value{{Quantity: reading.BatteryVolts, X: 1.31}}, c)
		if told := out[0].Suspect != ""; told != (i >= 6) {
			t.Errorf("poll %d: %q", i, out[0].Suspect)
		}
	}
	if out[0].Suspect != "it is 0.1 times what the others say" {
		t.Error(out[0].Suspect)
	}
	for range 12 {
		out, s = Step(s, reading.Stamp{}, []reading.Value{{Quantity: reading.BatteryVolts, X: 13.1}}, c)
	}
	if out[0].Suspect != "" {
		t.Errorf("still doubted: %s", out[0].Suspect)
	}
}

// What another has doubted stays doubted and is evidence of nothing.
func TestDoubtIsKept(t *testing.T) {
	t.Parallel()
	in := []reading.Value{{Quantity: reading.BatteryVolts, X: 13.2, Suspect: "just woken"}, {Quantity: reading.PeerUp, Of: "gate", X: 1}}
	out, s := Step(State{}, reading.Stamp{}, in, Context{Site: Site{Cells: 4}, SunElevation: math.NaN()})
	if !reflect.DeepEqual(in, out) || s.Runs[reading.BatteryVolts].Known {
		t.Errorf("%v, %+v", out, s.Runs[reading.BatteryVolts])
	}
}

// A fault that is mended is forgiven.
func TestForgives(t *testing.T) {
	t.Parallel()
	site := rich(1)
	var s State
	var last []reading.Value
	doubted := 0
	for t := time.Duration(0); t < 96*time.Hour; t += time.Minute {
		site.Step(time.Minute)
		at, values := site.Stamp(), site.Measured()
		if t < 30*time.Hour {
			scale(values, 10, reading.PanelWatts)
			scale(values, -1, reading.BatteryAmps)
		}
		c := known(site.Spec())
		c.SunElevation = elevation(site.Spec().Latitude, site.Spec().Longitude, at.Wall)
		last, s = Step(s, at, values, c)
		if t < 30*time.Hour && slices.ContainsFunc(last, func(v reading.Value) bool { return v.Suspect != "" }) {
			doubted++
		}
	}
	d := newDoubts()
	d.note(0, last)
	if doubted == 0 || d.polls > 0 {
		t.Errorf("doubted %d polls of the fault; at the end: %v", doubted, d)
	}
}

// The state survives a restart through JSON, on a monotonic clock that begins again.
func TestStateMarshals(t *testing.T) {
	t.Parallel()
	var s State
	n := 0
	life(5, 2, time.Minute, func(site *sim.Site, at reading.Stamp, values []reading.Value, c Context) {
		if n++; n%700 == 0 {
			set(values, reading.PanelWatts, 0)
			text, err := json.Marshal(s)
			if err != nil {
				t.Fatal(err)
			}
			var back State
			if err := json.Unmarshal(text, &back); err != nil || !reflect.DeepEqual(s, back) {
				t.Fatalf("%v\n%+v\n%+v", err, s, back)
			}
			back.At += 1000 * time.Hour // as after a restart: the clock seems to go back
			s = back
		}
		values, s = Step(s, at, values, c)
		for _, v := range values {
			if v.Suspect != "" {
				t.Errorf("%v: %s", v.Quantity, v.Suspect)
			}
		}
	})
}

// No input may break the step or fill the state with what JSON cannot hold.
func FuzzStep(f *testing.F) {
	f.Add([]byte{0, 120, 1, 3, 5, 200, 9, 255})
	f.Add([]byte{0, 0, 0, 0})
	f.Add([]byte{5, 255, 6, 1, 3, 127, 4, 2, 250})
	f.Fuzz(func(t *testing.T, b []byte) {
		var s State
		at := time.Duration(0)
		odd := []float64{0, math.NaN(), math.Inf(1), math.Inf(-1), 1e308, -1e308, 5e-324, -1}
		for len(b) > 2 {
			n := min(int(b[0])%8+1, len(b)/2)
			var values []reading.Value
			for i := range n {
				x := float64(b[2*i+1]) / 4
				if b[2*i+1] >= 248 {
					x = odd[b[2*i+1]-248]
				}
				values = append(values, reading.Value{Quantity: reading.Quantity(b[2*i]), X: x})
			}
			at += time.Duration(b[1]) * time.Minute
			c := Context{Site: Site{Cells: 4}, SunElevation: float64(b[0]) - 128}
			var out []reading.Value
			out, s = Step(s, reading.Stamp{Mono: at}, values, c)
			if len(out) != len(values) {
				t.Fatalf("%d values became %d", len(values), len(out))
			}
			b = b[2*n:]
		}
		if _, err := json.Marshal(s); err != nil {
			t.Errorf("cannot store the state: %v", err)
		}
	})
}

func BenchmarkStep(b *testing.B) {
	site := rich(1)
	values, c := site.Measured(), known(site.Spec())
	c.SunElevation = 30
	var s State
	for i := 0; b.Loop(); i++ {
		_, s = Step(s, reading.Stamp{Mono: time.Duration(i) * time.Minute}, values, c)
	}
}
