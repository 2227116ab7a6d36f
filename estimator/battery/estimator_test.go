package battery

import (
	"encoding/json"
	"math"
	"reflect"
	"testing"
	"time"

	"ebbwatch/collector/reading"
)

// at makes a reading of a battery's voltage and current after some minutes.
func at(minutes float64, volts, amps float64) reading.Reading {
	d := time.Duration(minutes * float64(time.Minute))
	r := reading.Reading{Stamp: reading.Stamp{Mono: d, Wall: time.Date(2024, 3, 1, 0, 0, 0, 0, time.UTC).Add(d), Trusted: true}}
	r.Set(reading.BatteryVolts, volts)
	r.Set(reading.BatteryAmps, amps)
	return r
}

func model() Model {
	return Model{Battery: Battery{CapacityAh: 100, Cells: 4, Reserve: 0.2, CutoffVolts: 11.6, InitialSoC: math.NaN()}}
}

// run steps through readings every five minutes from minute a to b.
func run(m Model, s State, a, b, volts, amps float64) State {
	for t := a; t <= b; t += 5 {
		s = m.Step(s, at(t, volts, amps))
	}
	return s
}

func TestFullAnchorsTheCount(t *testing.T) {
	t.Parallel()
	m := model()
	s := run(m, m.Start(), 0, 60, 14.2, 1.5)
	b := m.Belief(&s)
	if !b.Full || b.SinceFull != 0 || b.SoC < 0.97 || b.High-b.Low > 0.08 {
		t.Fatalf("after an hour held and tapered: %+v", b)
	}
	s = run(m, s, 65, 65+5*60, 13.2, -6) // 30 Ah of about 90
	b = m.Belief(&s)
	if b.Full || math.Abs(b.SoC-0.68) > 0.05 || b.Low > b.SoC || b.High < b.SoC {
		t.Fatalf("after 30 Ah out: %+v", b)
	}
}

func TestStateComesBackFromJSON(t *testing.T) {
	t.Parallel()
	m := model()
	s := run(m, m.Start(), 0, 600, 13.3, -2.1)
	if back := kept(t, s); !reflect.DeepEqual(s, back) {
		t.Fatalf("came back as\n%+v\nfrom\n%+v", back, s)
	}
}

// kept is a state as a file brings it back.
func kept(t *testing.T, s State) (back State) {
	t.Helper()
	text, err := json.Marshal(s)
	if err == nil {
		err = json.Unmarshal(text, &back)
	}
	if err != nil {
		t.Fatal(err)
	}
	return back
}

func TestStateOfAnotherFormStartsAfresh(t *testing.T) {
	t.Parallel()
	m := model()
	var old State
	if err := json.Unmarshal([]byte(`{"Mean":[0.7,0.1],"Cov":[[1]],"Mono":5}`), &old); err != nil {
		t.Fatal(err)
	}
	start := m.Start()
	if got, want := m.Belief(&old), m.Belief(&start); got.SoC != want.SoC || got.High != want.High {
		t.Errorf("a state of another form is believed %.2f to %.2f", got.Low, got.High)
	}
	old = m.Step(old, at(5, 13.2, -1))
	if b := m.Belief(&old); b.High-b.Low < 0.3 {
		t.Errorf("after a step from a state of another form the band is %.2f to %.2f", b.Low, b.High)
	}
}

func TestStateIsSmallEnoughToKeepOften(t *testing.T) {
	t.Parallel()
	m := model()
	s := run(m, m.Start(), 0, 3000, 13.1, -0.3)
	text, err := json.Marshal(s)
	if err != nil {
		t.Fatal(err)
	}
	if len(text) > 16000 {
		t.Errorf("the state takes %d bytes", len(text))
	}
	t.Logf("the state takes %d bytes", len(text))
}
