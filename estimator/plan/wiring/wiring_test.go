package wiring

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// A load of constant power draws the more current the lower the voltage is.
func TestConstantPowerDrawsMoreWhenLow(t *testing.T) {
	t.Parallel()
	r := Run{Meters: 5, Cable: Cable{MM2: 2.5}, Watts: 21, Volts: 13.3}
	high := r.Judge()
	r.Volts = 11
	low := r.Judge()
	if !(low.Current > high.Current) || !(low.Loss > high.Loss) {
		t.Errorf("at 11 V %.3f A and %.3f W lost, at 13.3 V %.3f A and %.3f W", low.Current, low.Loss, high.Current, high.Loss)
	}
	near(t, "current without a drop at 13.3 V", 21/13.3, 1.58, 0.01)
}

// What a run draws at its supply is what arrives and what is lost.
func TestFeedConservesPower(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.Float64Range(5, 60).Draw(t, "volts")
		w := rapid.Float64Range(0.1, 200).Draw(t, "watts")
		r := rapid.Float64Range(0, 3).Draw(t, "ohms")
		i, ok := Feed(v, w, r)
		if possible := v*v >= 4*r*w; possible != ok {
			t.Fatalf("possible %v, said %v", possible, ok)
		}
		if ok && math.Abs(v*i-i*i*r-w) > 1e-6*max(w, 1) {
			t.Fatalf("%.6g A at %.6g V through %.6g Ω bring %.6g W, not %.6g", i, v, r, v*i-i*i*r, w)
		}
	})
}

// The section that is asked for keeps what was promised.
func TestWantedSectionIsEnough(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		r := Run{
			Meters: rapid.Float64Range(0.5, 60).Draw(t, "meters"), Cable: Cable{MM2: 0.5, Flexible: rapid.Bool().Draw(t, "flexible")},
			Volts: rapid.SampledFrom([]float64{11, 12.8, 24, 48}).Draw(t, "volts"), Watts: rapid.Float64Range(0.5, 60).Draw(t, "watts"),
		}
		v := r.Judge()
		if v.NextMM2 == 0 {
			return
		}
		r.Cable.MM2 = v.NextMM2
		again := r.Judge()
		if !again.Fine || !again.Carries {
			t.Fatalf("%g mm² was asked for and drops %.2f %%", v.NextMM2, again.Share*100)
		}
		if r.Cable = (Cable{AWG: v.NextAWG, Gauge: true, Flexible: r.Cable.Flexible}); v.AWGOK && !r.Judge().Fine {
			t.Fatalf("AWG %d was asked for and drops %.2f %%", v.NextAWG, r.Judge().Share*100)
		}
	})
}

// A short cable hardly drops, yet it must carry its current and its fuse.
func TestShortCablesCarryTheirFuse(t *testing.T) {
	t.Parallel()
	v := Run{Meters: 1, Cable: Cable{MM2: 10}, Volts: 11.8, Amps: 18, FuseAmps: 25}.Judge()
	if v.NextMM2 != 4 || v.NextAWG != 10 {
		t.Errorf("18 A behind 25 A wants %g mm² or AWG %d", v.NextMM2, v.NextAWG)
	}
	rapid.Check(t, func(t *rapid.T) {
		r := Run{
			Meters: rapid.Float64Range(0.2, 20).Draw(t, "meters"), Cable: Cable{MM2: 2.5}, Volts: 11.8,
			Amps: rapid.Float64Range(0.2, 60).Draw(t, "amps"), FuseAmps: rapid.SampledFrom([]float64{0, 5, 15, 40, 80}).Draw(t, "fuse"),
		}
		v := r.Judge()
		if v.NextMM2 > 0 && Ampacity(v.NextMM2) < max(1.25*r.Amps, r.FuseAmps) {
			t.Fatalf("%g mm² may carry %g A, not %g behind %g", v.NextMM2, Ampacity(v.NextMM2), r.Amps, r.FuseAmps)
		}
		if v.AWGOK && Ampacity(Area(v.NextAWG)) < max(1.25*r.Amps, r.FuseAmps) {
			t.Fatalf("AWG %d may carry %g A, not %g behind %g", v.NextAWG, Ampacity(Area(v.NextAWG)), r.Amps, r.FuseAmps)
		}
	})
}

func TestCollapseIsTold(t *testing.T) {
	t.Parallel()
	v := Run{Meters: 200, Cable: Cable{MM2: 0.5}, Volts: 12, Watts: 21}.Judge()
	if !v.Collapsed || v.Fine {
		t.Errorf("21 W over 200 m of 0.5 mm² at 12 V: %+v", v)
	}
}

func TestFuseBracket(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name    string
		run     Run
		size    float64
		problem string
	}{
		{"fits", Run{Meters: 2, Cable: Cable{MM2: 2.5}, Volts: 11.6, Watts: 40, FuseAmps: 7.5}, 5, ""},
		{"too large for the wire", Run{Meters: 2, Cable: Cable{MM2: 1.5}, Volts: 11.6, Watts: 40, FuseAmps: 30}, 5, "does not protect"},
		{"too small for the load", Run{Meters: 2, Cable: Cable{MM2: 4}, Volts: 11.6, Watts: 150, FuseAmps: 10}, 20, "may blow"},
		{"none", Run{Meters: 2, Cable: Cable{MM2: 4}, Volts: 11.6, Watts: 20}, 3, "no fuse"},
		{"no room", Run{Meters: 1, Cable: Cable{MM2: 0.75}, Volts: 11.6, Watts: 100, FuseAmps: 10}, 0, "thicker wire"},
		{"far end is slow", Run{Meters: 40, Cable: Cable{MM2: 1.5}, Volts: 11.6, Watts: 10, FuseAmps: 10}, 2, "slow"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			b := c.run.Judge().Fuse(14.4, 0.008)
			if b.Size != c.size {
				t.Errorf("size %g, want %g (%+v)", b.Size, c.size, b)
			}
			all := strings.Join(b.Problems, "; ")
			if c.problem == "" && all != "" || !strings.Contains(all, c.problem) {
				t.Errorf("problems %q, want %q", all, c.problem)
			}
			if b.Interrupt < b.Short {
				t.Errorf("interrupting rating %g A below the short current %g A", b.Interrupt, b.Short)
			}
		})
	}
}

// A battery's short current grows with its capacity: what breaks it is asked for by the least
// resistance of its cells. Arithmetic: four cells of 0.3 mΩ give 14.4 V / 1.2 mΩ = 12 kA.
func TestBreakingCapacityGrowsWithTheBattery(t *testing.T) {
	t.Parallel()
	v := Run{Meters: 2, Cable: Cable{MM2: 4}, Volts: 11.6, Watts: 40, FuseAmps: 7.5}.Judge()
	last := 0.0
	for _, c := range []struct{ ah, least float64 }{{20, 5000}, {100, 20000}, {300, 50000}, {1000, 0}} {
		b := v.Fuse(14.4, BatteryOhms(4, c.ah))
		if b.Interrupt != c.least || b.Short <= last || b.Interrupt != 0 && b.Interrupt < b.Short {
			t.Errorf("%g Ah: breaking %g A for %g A, want %g", c.ah, b.Interrupt, b.Short, c.least)
		}
		last = b.Short
	}
	near(t, "short current of 100 Ah", v.Fuse(14.4, BatteryOhms(4, 100)).Short, 12000, 1)
}

func TestLadder(t *testing.T) {
	t.Parallel()
	good := Ladder{Shed: 12.6, Stop: 12.2, Controller: 11.8, Protection: 10.8, Back: 13.0, Cells: 4}
	if p := good.Check(); len(p) > 0 {
		t.Errorf("a good ladder has problems: %q", p)
	}
	for _, c := range []struct {
		name   string
		change func(*Ladder)
		want   string
	}{
		{"protection first", func(l *Ladder) { l.Protection = 11.9 }, "does not come before the battery's protection"},
		{"too close", func(l *Ladder) { l.Stop = 11.9 }, "only 0.10 V lie between the clean stop"},
		{"stop above shed", func(l *Ladder) { l.Stop = 12.8 }, "does not come before the clean stop"},
		{"no controller", func(l *Ladder) { l.Controller = 0 }, "nothing takes the load off"},
		{"protection unknown", func(l *Ladder) { l.Protection = 0 }, "is not known"},
		{"flaps", func(l *Ladder) { l.Back = 12.1 }, "it will flap"},
		{"disconnect too low", func(l *Ladder) { l.Controller = 11.0 }, "outside the usual"},
		{"a rung that is not there does not matter", func(l *Ladder) { l.Stop = 0; l.Shed = 11.7 }, "shedding the radio at 11.7 V does not come before the controller's disconnect"},
	} {
		l := good
		c.change(&l)
		if all := strings.Join(l.Check(), "; "); !strings.Contains(all, c.want) {
			t.Errorf("%s: %q does not say %q", c.name, all, c.want)
		}
	}
}

// 12 W over 30 m of data cable lose about 0.2 W (arithmetic: 0.25 A through 3.75 Ω).
func TestEthernetBackToTheBattery(t *testing.T) {
	t.Parallel()
	v := Ethernet{Name: "radio", Watts: 12, Meters: 30, Boost: 0.92}.Judge()
	near(t, "cable loss", v.CableLoss, 0.39, 0.02) // class 3 reckons with 20 Ω per 100 m
	near(t, "at the battery", v.AtBattery, (12+v.CableLoss)/0.92, 1e-9)
	if v.Class.Class != 3 || !v.ClassOK {
		t.Errorf("12 W is class %d", v.Class.Class)
	}
	if v := (Ethernet{Watts: 80, Meters: 20}).Judge(); v.ClassOK || len(v.Problems) == 0 {
		t.Error("80 W at a device is carried by no class")
	}
	if v := (Ethernet{Watts: 10, Meters: 130}).Judge(); len(v.Problems) == 0 {
		t.Error("130 m is beyond Ethernet")
	}
}

// TestTenThousandDrawings draws cables at random: what is recommended passes every check
// itself, and the fuse that is named protects the wire, holds the load and breaks the
// battery's short current.
func TestTenThousandDrawings(t *testing.T) {
	t.Parallel()
	dice := rand.New(rand.NewPCG(11, 12))
	pick := func(xs ...float64) float64 { return xs[dice.IntN(len(xs))] }
	named := 0
	for range 10_000 {
		cells := int(pick(4, 8, 16))
		r := Run{
			Meters: 0.2 + 60*dice.Float64()*dice.Float64(), Volts: 2.9 * float64(cells), Most: pick(0.01, 0.02, 0.03, 0.05),
			Cable: Cable{MM2: pick(0.5, 0.75, 1, 1.5, 2.5, 4, 6, 10, 16, 25, 35), Flexible: dice.IntN(2) == 0}, FuseAmps: pick(0, 0, 2, 5, 10, 20, 40),
		}
		if dice.IntN(2) == 0 {
			r.Watts = 1 + 300*dice.Float64()*dice.Float64()
		} else {
			r.Amps = 0.1 + 40*dice.Float64()*dice.Float64()
		}
		v := r.Judge()
		for _, c := range []Cable{{MM2: v.NextMM2, Flexible: r.Cable.Flexible}, {AWG: v.NextAWG, Gauge: true, Flexible: r.Cable.Flexible}} {
			if c.Gauge && !v.AWGOK || !c.Gauge && v.NextMM2 == 0 {
				continue
			}
			again := r
			again.Cable = c
			w := again.Judge()
			if !w.Fine || !w.Carries || w.Collapsed {
				t.Fatalf("%+v: %+v is recommended and drops %.2f %%", r, c, 100*w.Share)
			}
			b := w.Fuse(3.6*float64(cells), BatteryOhms(cells, pick(12, 50, 100, 300)))
			if b.Size > 0 {
				named++
				if b.Size < 1.25*w.Current-1e-9 || b.Size > Ampacity(c.Section()) || b.Interrupt != 0 && b.Interrupt <= b.Short {
					t.Fatalf("%+v: a fuse of %g A on %+v: %+v", r, b.Size, c, b)
				}
			}
		}
	}
	if named < 5000 {
		t.Errorf("only %d fuses were named", named)
	}
}
