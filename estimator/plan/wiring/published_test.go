package wiring

import (
	"math"
	"testing"

	"ebbwatch/estimator/plan/plantest"
)

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if math.IsNaN(got) || math.Abs(got-want) > tol {
		t.Errorf("%s is %.6g, want %.6g ± %g", what, got, want, tol)
	}
}

// Source: ASTM B258 diameters with IACS copper.
func TestGaugesOfASTM(t *testing.T) {
	t.Parallel()
	seen := 0
	for _, e := range plantest.Published(t, "wire.awg") {
		awg := int(e.In("awg"))
		want := e.List()
		near(t, e.ID+" diameter", Diameter(awg), want[0], 1e-4)
		near(t, e.ID+" area", Area(awg), want[1], 6e-4)
		near(t, e.ID+" Ω/km at 20 °C", Ideal(Area(awg), 20, false), want[2], 1e-4)
		near(t, e.ID+" Ω/km at 75 °C", Ideal(Area(awg), 75, false), want[3], 1e-3)
		seen++
	}
	if seen < 8 {
		t.Fatalf("only %d gauges were checked", seen)
	}
}

// Source: NFPA 70 chapter 9 table 8, uncoated copper at 75 °C, Ω/kft.
func TestResistanceOfTheCodesTable(t *testing.T) {
	t.Parallel()
	for _, kind := range []struct {
		id       string
		stranded bool
	}{{"wire.nec_solid", false}, {"wire.nec_stranded", true}} {
		list := plantest.Published(t, kind.id)
		if len(list) < 4 {
			t.Fatalf("only %d values of %s", len(list), kind.id)
		}
		for _, e := range list {
			got := Ideal(Area(int(e.In("awg"))), 75, kind.stranded) * 0.3048
			near(t, e.ID, got, e.Number(), e.Tol(t))
		}
	}
}

// Source: IEC 60228, classes 1, 2 and 5.
func TestStandardSections(t *testing.T) {
	t.Parallel()
	for _, kind := range []struct {
		id       string
		flexible bool
	}{{"wire.iec60228_c12", false}, {"wire.iec60228_c5", true}} {
		e := plantest.Published(t, kind.id)[0]
		want := e.List()
		for i, mm2 := range e.InList("mm2") {
			near(t, e.ID, Cable{MM2: mm2, Flexible: kind.flexible}.OhmsPerKm(20), want[i], 0)
		}
	}
}

// The worked examples of drop and loss: 2 L I R.
func TestDropAndLoss(t *testing.T) {
	t.Parallel()
	e := plantest.Published(t, "wire.drop1")[0]
	v := Run{Meters: 10, Cable: Cable{MM2: 2.5}, Volts: 12.8, Amps: 8}.Judge()
	want := e.List()
	near(t, "drop", v.Drop, want[0], 1e-4)
	near(t, "share", v.Share*100, want[1], 1e-3)
	near(t, "loss", v.Loss, want[2], 1e-3)
	near(t, "section for 3 %", Section(12.8, 8, 10, 0.03), plantest.Published(t, "wire.area3pct")[0].Number(), 1e-3)
	if mm2 := v.NextMM2; mm2 != 10 {
		t.Errorf("the standard section for that is %g mm²", mm2)
	}
	// 12 AWG stranded, 30 ft, 10 A at 12 V: NEC's 1.98 Ω/kft is at 75 °C.
	hot := Run{Meters: 30 * 0.3048, Cable: Cable{AWG: 12, Gauge: true}}.Loop(75)
	near(t, "drop of 12 AWG", 10*hot, plantest.Published(t, "wire.drop2")[0].List()[0], 0.008)
}

// Source: IEEE 802.3 class table; what is left after the loop is P - (P/V)² R.
func TestClassesOfPowerOverEthernet(t *testing.T) {
	t.Parallel()
	for _, c := range Classes() {
		near(t, "power at the device", atDevice(c), c.Device, 0.07)
	}
	for id, class := range map[string]int{"poe.class3": 3, "poe.class4": 4, "poe.class5": 5, "poe.class6": 6, "poe.class7": 7, "poe.class8": 8} {
		e := plantest.Published(t, id)[0]
		c := Classes()[class-1]
		if c.Source != e.In("PSE_W") || c.Volts != e.In("PSE_Vmin") || c.LoopOhms != e.In("loop_ohm") || c.Device != e.Number() {
			t.Errorf("class %d is %+v, published %v", class, c, e.Inputs)
		}
		near(t, id, atDevice(c), e.Number(), e.Tol(t))
	}
	e := plantest.Published(t, "poe.chain")[0]
	near(t, "chain", Chain(5, 0.88, 0.92), e.Number(), e.Tol(t))
}

// 21 W at 48 V over 200 m of 2.5 mm²: 0.44 A, 1.2 V, 2.6 %; 300 m 3.9 %; hopeless at 12 V.
// Arithmetic with 0.0177 Ω mm²/m; the standard's largest resistance is 5 % above that.
func TestBuriedPair(t *testing.T) {
	t.Parallel()
	at := func(volts, meters float64) PairVerdict {
		return Pair{Watts: 21, Volts: volts, Meters: meters, Cable: Cable{MM2: 2.5}}.Judge()
	}
	near(t, "current", at(48, 200).Amps, 0.44, 0.015)
	near(t, "drop over 200 m", at(48, 200).Drop, 1.24, 0.1)
	near(t, "share over 200 m", at(48, 200).Share, 0.026, 0.002)
	near(t, "share over 300 m", at(48, 300).Share, 0.039, 0.004)
	if v := at(12, 200); v.Possible {
		t.Errorf("21 W at 12 V over 200 m of 2.5 mm² is called possible: %+v", v)
	}
}

// atDevice is what is left of a supply's power after a loop, at the least voltage: the
// standard's own arithmetic, which its table must agree with.
func atDevice(c Class) float64 {
	i := c.Source / c.Volts
	return c.Source - i*i*c.LoopOhms
}
