package battery

import (
	"math"
	"testing"

	"ebbwatch/collector/reading"
)

// half is a battery that is believed half full.
func half(m Model) State {
	m.Battery.InitialSoC = 0.5
	return run(m, m.Start(), -300, -5, 13.1, -0.5)
}

func TestOnlyATrueFullIsFull(t *testing.T) {
	t.Parallel()
	m := model()
	for _, c := range []struct {
		name        string
		volts, amps float64
		minutes     float64
		stage       reading.ChargeState
		noAmps      bool
		want        bool
	}{
		{"held and tapered, no stage told", 14.2, 1.5, 60, reading.Off, false, true},
		{"held and tapered at a low setting", 13.8, 1, 60, reading.Off, false, true},
		{"held and tapered, too short", 14.2, 1.5, 5, reading.Absorption, false, false},
		{"a sunny minute at half charge", 14.3, 40, 5, reading.Absorption, false, false},
		{"an hour at absorption voltage with a large current", 14.2, 30, 60, reading.Absorption, false, false},
		{"a float flag that lies", 13.2, 0.2, 120, reading.Float, false, false},
		{"an absorption flag that lies", 13.3, 8, 120, reading.Absorption, false, false},
		{"rest near full", 13.32, -0.3, 300, reading.Off, false, false},
		{"a load that pulls hard from a held battery", 14.0, -6, 60, reading.Absorption, false, false},
		{"voltage alone, held for hours", 14.2, 0, 420, reading.Off, true, true},
		{"voltage alone, half an hour", 14.2, 0, 30, reading.Off, true, false},
	} {
		s := half(m)
		for minute := 0.0; minute <= c.minutes; minute += 5 {
			var r reading.Reading
			r.Stamp = at(minute, 0, 0).Stamp
			r.Set(reading.BatteryVolts, min(c.volts, 13.2+minute/30)) // as that of a battery does, not at once
			r.Set(reading.ChargeStage, float64(c.stage))
			if !c.noAmps {
				r.Set(reading.BatteryAmps, c.amps)
			}
			s = m.Step(s, r)
		}
		b := m.Belief(&s)
		if b.Full != c.want {
			t.Errorf("%s: full is %v", c.name, b.Full)
		}
		if c.want && (b.SoC < 0.95 || b.SinceFull != 0) {
			t.Errorf("%s: charge %.3f, since full %v", c.name, b.SoC, b.SinceFull)
		}
		if !c.want && b.SinceFull >= 0 {
			t.Errorf("%s: a full was counted", c.name)
		}
	}
}

func TestChargeCurrentOfALoadedNodeIsNotTaperCurrent(t *testing.T) {
	t.Parallel()
	m := model()
	s := half(m)
	for minute := 0.0; minute <= 60; minute += 5 {
		r := reading.Reading{Stamp: at(minute, 0, 0).Stamp}
		r.Set(reading.BatteryVolts, 14.2)
		r.Set(reading.ChargeAmps, 9) // of which the load takes 8
		r.Set(reading.LoadAmps, 8)
		s = m.Step(s, r)
	}
	if b := m.Belief(&s); !b.Full {
		t.Errorf("9 A of charge with 8 A of load hide a taper to 1 A: %+v", b)
	}
}

func TestKneeAnchorsFromAWrongStart(t *testing.T) {
	t.Parallel()
	m := model()
	m.Battery.InitialSoC = 0.7
	s := run(m, m.Start(), 0, 600, 12.70, -2) // about 9 % at rest
	if b := m.Belief(&s); math.Abs(b.SoC-0.09) > 0.05 {
		t.Errorf("ten hours at 12.7 V under a small load: charge %.3f±%.3f", b.SoC, b.SoCSD)
	}
}

func TestColdCharge(t *testing.T) {
	t.Parallel()
	m := model()
	for _, c := range []struct {
		celsius, amps float64
		want          bool
	}{{-3, 5, true}, {-3, -2, false}, {3, 5, false}, {-3, 0.1, false}} {
		r := at(5, 13.3, c.amps)
		r.Set(reading.BatteryCelsius, c.celsius)
		s := m.Step(m.Start(), r)
		if b := m.Belief(&s); b.ColdCharge != c.want {
			t.Errorf("%v A at %v °C: cold charge is %v", c.amps, c.celsius, b.ColdCharge)
		}
	}
}

func TestReplacedBattery(t *testing.T) {
	t.Parallel()
	m := model()
	s := run(m, m.Start(), 0, 120, 14.2, 0.8)
	s = run(m, s, 125, 125+30*60, 13.1, -2)
	s = run(m, s, 125+31*60, 125+36*60, 12.4, -2) // nearly empty
	told := m.Replaced(s)
	if b := m.Belief(&told); !b.Replaced || b.High-b.Low < 0.5 || b.SinceFull >= 0 {
		t.Errorf("told of another battery: %+v", b)
	}
	if told.Mean[iDrain] != s.Mean[iDrain] || told.Out != s.Out {
		t.Error("what was learned of meters and loads was lost with the battery")
	}
	// An hour without readings, and the voltage is that of a charged battery.
	noticed := run(m, s, 125+37*60+5, 125+39*60, 13.28, -2)
	if b := m.Belief(&noticed); !b.Replaced || b.SoC < 0.4 {
		t.Errorf("a voltage that this battery cannot have went unnoticed: %+v", b)
	}
	// The same battery after the same silence is not another one.
	same := run(m, s, 125+37*60+5, 125+39*60, 12.38, -2)
	if b := m.Belief(&same); b.Replaced {
		t.Errorf("the same battery was taken for another: %+v", b)
	}
}

func TestClaimIsComparedAndNotTrusted(t *testing.T) {
	t.Parallel()
	m := model()
	s := half(m)
	with := at(0, 13.1, -0.5)
	with.Set(reading.ControllerSoC, 0.95)
	a, b := m.Step(s, at(0, 13.1, -0.5)), m.Step(s, with)
	if a.Gauss != b.Gauss {
		t.Error("the controller's claim moved the belief")
	}
	if gap := m.Belief(&b).ClaimGap; math.Abs(gap-(0.95-b.Mean[iCharge])) > 1e-9 {
		t.Errorf("the claim is %.3f above the belief", gap)
	}
	if gap := m.Belief(&a).ClaimGap; !math.IsNaN(gap) {
		t.Errorf("without a claim the gap is %v", gap)
	}
}
