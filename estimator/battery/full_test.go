package battery

import (
	"math/rand/v2"
	"testing"
	"time"

	"ebbwatch/collector/reading"
	"ebbwatch/collector/sim"
)

// bulk feeds an unlearned battery of 200 Ah a current for an hour and a half, at a voltage
// that may drift.
func bulk(volts, drift, amps, fade float64) State {
	m := Model{Battery: Battery{CapacityAh: 200, Cells: 4, InitialSoC: 0.5}}
	s := m.Start()
	for k := range 18 {
		s = m.Step(s, at(5*float64(k), volts+drift*float64(k), amps-fade*float64(k)))
	}
	return s
}

// TestALoadedLeadIsNoFull: a panel that is small for its battery gives C/20 all day; over a
// large resistance that looks like absorption at any charge.
func TestALoadedLeadIsNoFull(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name                     string
		volts, drift, amps, fade float64
		want                     bool
	}{
		{"a steady current, the voltage creeps up", 13.66, 0.008, 10, 0, false},
		{"a steady current over a steady voltage", 13.70, 0, 10, 0, false},
		{"the voltage is held and the current falls", 13.80, 0, 12, 0.6, true},
		{"a voltage too high for any lead", 14.20, 0, 5, 0.1, true},
	} {
		s := bulk(c.volts, c.drift, c.amps, c.fade)
		if s.Full != c.want || !c.want && s.FullSeen {
			t.Errorf("%s: full is %v, ever %v, charge %.2f", c.name, s.Full, s.FullSeen, s.Mean[iCharge])
		}
		if x := s.Mean[iCharge]; !c.want && x > 0.9 {
			t.Errorf("%s: charge %.2f, want it near what was counted, 0.57", c.name, x)
		}
	}
}

// TestDwellIsNotShortened: a full needs a quarter of an hour that was seen; neither a gap nor
// a restart stands in for it.
func TestDwellIsNotShortened(t *testing.T) {
	t.Parallel()
	m := model()
	held := run(m, half(m), 0, 5, 14.2, 1.5)
	gap := m.Step(held, at(125, 14.2, 1.5))
	again := m.Step(m.Interrupted(held), at(10, 14.2, 1.5))
	for name, s := range map[string]State{"gap": gap, "restart": again} {
		if s.Full {
			t.Errorf("%s: full at the first reading", name)
		}
	}
	if s := run(m, gap, 130, 145, 14.2, 1.5); !s.Full {
		t.Error("a quarter of an hour after the gap it is still not full")
	}
}

// TestAWrongFullIsSoft: one doubtful full against a belief that is sure opens the belief
// instead of replacing it; a good one replaces it.
func TestAWrongFullIsSoft(t *testing.T) {
	t.Parallel()
	m := model()
	for _, c := range []struct {
		wrong       float64
		least, most float64
		believed    bool
	}{{0.25, 0.5, 0.75, false}, {0.0005, 0.85, 1, true}} {
		s := run(m, m.Start(), 0, 60, 14.2, 0.8)
		s.Gauss.set(iCharge, 0.55, 0.03)
		believed := m.anchor(&s, flow{inKnown: true, outKnown: true}, 0.99, 0.01, c.wrong)
		if x := s.Mean[iCharge]; believed != c.believed || x < c.least || x > c.most || s.sd(iCharge) < 0.03 && !believed {
			t.Errorf("false with chance %.3f: believed %v, charge %.2f±%.2f", c.wrong, believed, x, s.sd(iCharge))
		}
	}
}

// TestBigBatteryUnderKills is a node whose panel is small for its battery, in the cold, with
// leads that drop much; its watcher is killed at random and goes on from what it kept up to
// half an hour before.
func TestBigBatteryUnderKills(t *testing.T) {
	t.Parallel()
	inside, looks, wrong, fulls := 0, 0, 0, 0 // wrong: below 0.9
	for seed := range uint64(6) {
		dice := rand.New(rand.NewPCG(seed, 20))
		spec := sim.DemoSpec(seed)
		spec.Battery.CapacityAh, spec.Battery.LabelAh, spec.Panel.WattsPeak = 192, 200, 300
		spec.Battery.MilliOhms, spec.Battery.StartSoC = 14, 0.5
		spec.Sky = sim.NewWeather(spec.Latitude, spec.Longitude,
			sim.Story(spec.Latitude, spec.Longitude, spec.Start, []float64{0.9, 0.95, 0.3, 0.9, 0.8, 0.2, 0.95}, -2), seed)
		site, m := sim.New(spec), Model{Battery: Battery{CapacityAh: 200, Cells: 4, InitialSoC: 0.5}}
		s := m.Start()
		kept := s
		for k := range 20 * 720 {
			site.Step(2 * time.Minute)
			if dice.IntN(40) == 0 {
				s = kept
			}
			was := s.Full
			s = m.Step(s, site.Reading())
			if k%15 == 0 {
				kept = s
			}
			truth := site.Truth()
			if s.Full && !was {
				fulls++
				if truth.SoC < 0.9 {
					wrong++
				}
			}
			if b := m.Belief(&s); k%30 == 0 && k > 720 {
				looks++
				if truth.SoC >= b.Low && truth.SoC <= b.High {
					inside++
				}
			}
		}
	}
	t.Logf("%d of %d looks inside the band; %d fulls, %d of them false", inside, looks, fulls, wrong)
	if wrong > fulls/20 || fulls == 0 || float64(inside) < 0.85*float64(looks) {
		t.Errorf("%d of %d looks inside the band; of %d fulls %d false", inside, looks, fulls, wrong)
	}
}

// TestUnmeasuredSides: a side that nobody measures is guessed by the other one, and a load
// output that is off says nothing of the load when it is on.
func TestUnmeasuredSides(t *testing.T) {
	t.Parallel()
	m := model()
	threeDays := func(volts float64, q reading.Quantity, x float64) State {
		s := m.Start()
		for k := range 72 * 12 {
			r := reading.Reading{Stamp: at(5*float64(k), 0, 0).Stamp}
			r.Set(reading.BatteryVolts, volts)
			r.Set(q, x)
			s = m.Step(s, r)
		}
		return s
	}
	on := threeDays(13.1, reading.LoadAmps, 2)
	if got := on.Out.usual(m.guess()); got < 1.9 || got > 2.1 {
		t.Errorf("the usual load is %.2f A, want 2", got)
	}
	off := threeDays(12, reading.LoadOn, 0)
	if !off.Out.blank() {
		t.Errorf("a load output that is off taught a load of %.2f A", off.Out.usual(m.guess()))
	}
}
