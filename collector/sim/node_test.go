package sim

import (
	"math"
	"testing"
	"time"

	"ebbwatch/collector/reading"
)

// Every random node must live like a node: charge between empty and full, volts where a
// LiFePO4 battery has them, and somewhere in the year a full battery and a low one.
func TestRandomNodesLive(t *testing.T) {
	days := hoogeveen(t)[700:1065]
	full, low := 0, 0
	for seed := range uint64(8) {
		s := New(RandomNode(seed).Under(days))
		least, most, fulls := 1.0, 0.0, 0
		for range 365 * 24 * 12 {
			s.Step(5 * time.Minute)
			tr := s.Truth()
			least, most = min(least, tr.SoC), max(most, tr.SoC)
			if tr.Full {
				fulls++
			}
			if math.IsNaN(tr.SoC+tr.Volts+tr.Amps) || !tr.Open && (tr.Volts < 8 || tr.Volts > 14.8) {
				t.Fatalf("node %d at %v: %+v", seed, tr.At, tr)
			}
		}
		if most > 0.98 && fulls > 0 {
			full++
		}
		if least < 0.3 {
			low++
		}
		t.Logf("node %d: charge %.2f to %.2f, full for %d h", seed, least, most, fulls/12)
	}
	if full < 7 || low < 3 {
		t.Errorf("of 8 nodes %d were ever full and %d ever low", full, low)
	}
}

// What goes in and comes out must agree with the change of charge.
func TestChargeIsKept(t *testing.T) {
	spec := RandomNode(3)
	spec.Battery.Cold, spec.Battery.ColdLoss, spec.Battery.SelfDischarge = ColdShrinks, 1e-9, 1e-9
	spec.Battery.Efficiency, spec.Battery.StartSoC = 1, 0.6
	spec.Sky = NewWeather(spec.Latitude, spec.Longitude, Story(spec.Latitude, spec.Longitude, spec.Start, []float64{0.3, 0.2}, 12), 1)
	s := New(spec)
	began, ah := s.Truth().SoC, 0.0
	for range 2 * 24 * 60 {
		s.Step(time.Minute)
		ah += s.Truth().Amps / 60
	}
	if got, want := s.Truth().SoC-began, ah/s.Truth().UsableAh; math.Abs(got-want) > 1e-3 {
		t.Errorf("charge moved by %.4f, the current says %.4f", got, want)
	}
}

// Watts off the panel, less the converter's loss, must be found at the battery and the load.
func TestPowerBalances(t *testing.T) {
	for _, mppt := range []bool{true, false} {
		spec := RandomNode(5)
		spec.Charger.MPPT = mppt
		s := New(spec)
		for range 5 * 24 * 12 {
			s.Step(5 * time.Minute)
			tr := s.Truth()
			out := tr.Volts*tr.Amps + tr.LoadWatts + tr.UnmeteredWatts
			if in := tr.ChargeAmps * tr.Volts; math.Abs(in-out) > 0.02*in+0.2 {
				t.Fatalf("mppt %v %v: %.2f W in, %.2f W out", mppt, tr.At, in, out)
			}
			if tr.PanelWatts < tr.ChargeAmps*tr.Volts-1e-9 {
				t.Fatalf("mppt %v %v: the controller makes power: %+v", mppt, tr.At, tr)
			}
		}
	}
}

// The open-circuit table is the BPX example's; between its points it must only rise.
func TestRestVoltageRises(t *testing.T) {
	table := restTable()
	for i := 1; i < len(table); i++ {
		if table[i] < table[i-1] {
			t.Fatalf("falls at %d", i)
		}
	}
	soc, volts := restPoints()
	c := newCells(Battery{}.withDefaults(), 25)
	for i := range soc {
		if got := c.restAt(soc[i]); math.Abs(got-volts[i]) > 0.001 {
			t.Errorf("at %.2f: %.3f V, want %.3f V", soc[i], got, volts[i])
		}
	}
}

func TestMetersErrAsTold(t *testing.T) {
	spec := RandomNode(1)
	spec.Sensors = Sensors{
		Quantities: []reading.Quantity{reading.BatteryVolts, reading.BatteryAmps},
		Errors: map[reading.Quantity]Error{
			reading.BatteryVolts: {Step: 0.1},
			reading.BatteryAmps:  {Gain: 0.02, Offset: -0.05},
		},
	}
	spec.Load.UnmeteredWatts, spec.Load.UnmeteredFrom, spec.Load.UnmeteredUntil = 2, 0, 0
	s := New(spec)
	for range 100 {
		s.Step(13 * time.Minute)
		tr, r := s.Truth(), s.Reading()
		volts, _ := r.Get(reading.BatteryVolts)
		amps, _ := r.Get(reading.BatteryAmps)
		if math.Abs(volts*10-math.Round(volts*10)) > 1e-9 || math.Abs(volts-tr.Volts) > 0.0501 {
			t.Fatalf("%v V shown for %v V", volts, tr.Volts)
		}
		if want := (tr.Amps+2/tr.Volts)*1.02 - 0.05; math.Abs(amps-want) > 1e-9 {
			t.Fatalf("%v A shown, want %v A", amps, want)
		}
		if r.Known(reading.LoadAmps) {
			t.Fatal("a quantity that is not measured is there")
		}
	}
}

func TestSilenceIsAbsence(t *testing.T) {
	spec := RandomNode(2)
	spec.Sensors.DropsPerDay, spec.Sensors.DropMean = 12, 30*time.Minute
	s := New(spec)
	silent := 0
	for range 10 * 24 * 12 {
		s.Step(5 * time.Minute)
		if s.Silent() {
			silent++
			r := s.Reading()
			if len(s.Measured()) != 0 || !r.Empty() {
				t.Fatal("a silent node says something")
			}
		}
	}
	// 12 silences of half an hour a day leave a fifth of the time: 6 h in 30 h.
	if share := float64(silent) / 2880; share < 0.1 || share > 0.35 {
		t.Errorf("silent for %.2f of the time", share)
	}
}

// A battery left to run down must lose its load output first, and open its protection later.
func TestTheEndComesInOrder(t *testing.T) {
	spec := RandomNode(4)
	spec.Panel.WattsPeak = 0.001
	spec.Load.UnmeteredWatts, spec.Load.UnmeteredFrom, spec.Load.UnmeteredUntil = 2, 0, 0
	s := New(spec)
	var off, open time.Duration
	for h := time.Duration(0); h < 60*24*time.Hour && open == 0; h += 10 * time.Minute {
		s.Step(10 * time.Minute)
		if tr := s.Truth(); !tr.LoadOn && off == 0 {
			off = h
		} else if tr.Open {
			open = h
		}
	}
	if off == 0 || open <= off {
		t.Errorf("load off after %v, protection open after %v", off, open)
	}
}

func TestNoChargeInTheFrost(t *testing.T) {
	spec := RandomNode(6)
	spec.Charger.ColdInhibit = true
	spec.Sky = NewWeather(spec.Latitude, spec.Longitude, Story(spec.Latitude, spec.Longitude, spec.Start, []float64{0.9}, -15), 1)
	s := New(spec)
	for range 2 * 24 * 12 {
		s.Step(5 * time.Minute)
		if tr := s.Truth(); tr.Celsius < 0 && tr.ChargeAmps > 0 {
			t.Fatalf("charged at %.1f °C", tr.Celsius)
		}
	}
}

func BenchmarkYearOfFiveMinutes(b *testing.B) {
	days := Story(52.75, 6.574, RandomNode(1).Start, make([]float64, 365), 10)
	for i := range days {
		days[i].GHI = 3
	}
	for b.Loop() {
		s := New(RandomNode(1).Under(days))
		for range 365 * 288 {
			s.Step(5 * time.Minute)
			s.Reading()
		}
	}
}

// What somebody does at the node must show where it should.
func TestHandsAtTheNode(t *testing.T) {
	spec := RandomNode(7)
	spec.Sky = NewWeather(spec.Latitude, spec.Longitude, Story(spec.Latitude, spec.Longitude, spec.Start, []float64{0.9}, 15), 1)
	spec.Battery.StartSoC = 0.5
	s := New(spec)
	s.Step(10 * time.Hour)
	before := s.Truth()
	s.Cover(1)
	s.Step(time.Minute)
	if dark := s.Truth(); before.PanelWatts < 5 || dark.PanelWatts != 0 || dark.Amps >= 0 {
		t.Errorf("covered: %.1f W before, %.1f W after, %.2f A", before.PanelWatts, dark.PanelWatts, dark.Amps)
	}
	idle := s.Truth()
	s.Plug(20, false)
	s.Step(time.Minute)
	metered := s.Truth()
	s.Plug(0, false)
	s.Plug(20, true)
	s.Step(time.Minute)
	past := s.Truth()
	if d := metered.LoadWatts - idle.LoadWatts; math.Abs(d-20) > 3 {
		t.Errorf("20 W plugged in show as %.1f W", d)
	}
	if d := past.UnmeteredWatts - idle.UnmeteredWatts; math.Abs(d-20) > 1e-9 || math.Abs(past.LoadWatts-idle.LoadWatts) > 3 {
		t.Errorf("20 W past the meters: %+v", past)
	}
	s.CutLoad(true)
	s.Step(time.Minute)
	if s.Truth().LoadWatts != 0 {
		t.Error("the load is cut and still draws")
	}
}
