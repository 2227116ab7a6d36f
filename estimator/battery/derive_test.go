package battery

import (
	"math"
	"testing"
	"time"

	"ebbwatch/collector/reading"
	"ebbwatch/collector/sim"
)

// TestCurtailedAndLoad compares what is told of the moment with the truth: whether the
// charger holds back, and what all loads take.
func TestCurtailedAndLoad(t *testing.T) {
	t.Parallel()
	for _, seed := range []uint64{0, 1, 2, 8} { // with and without meters of charge and load
		spec := demoNode(t, seed)
		site, m := sim.New(spec), studyModel(spec.Battery.LabelAh)
		s := m.Start()
		var hit, wrong, missed, off, hours float64
		for k := range 120 * 288 {
			site.Step(5 * time.Minute)
			r := site.Reading()
			s = m.Step(s, r)
			b, truth := m.Belief(&s), site.Truth()
			if k < 14*288 || r.Empty() {
				continue
			}
			switch {
			case truth.Curtailed && b.Curtailed:
				hit++
			case b.Curtailed && truth.PanelWatts >= 1: // at dusk there is nothing to hold back
				wrong++
			case truth.Curtailed:
				missed++
			}
			if truth.LoadOn {
				off += b.LoadWatts - truth.LoadWatts - truth.UnmeteredWatts
				hours++
			}
		}
		usual := spec.Load.DayWatts + spec.Load.UnmeteredWatts
		t.Logf("node %d: curtailed found %.0f, wrongly %.0f, missed %.0f; load off by %+.2f of about %.1f W", seed, hit, wrong, missed, off/hours, usual)
		if hit+missed > 500 && (wrong > 0.1*hit || missed > 0.35*(hit+missed)) {
			t.Errorf("node %d: curtailed found %.0f, wrongly %.0f, missed %.0f", seed, hit, wrong, missed)
		}
		if off/hours > 0.15*usual || off/hours < -0.2*usual {
			t.Errorf("node %d: load off by %+.2f of about %.1f W", seed, off/hours, usual)
		}
	}
}

func TestStarvedAfterAMonthWithoutAFull(t *testing.T) {
	t.Parallel()
	m := model()
	s := run(m, m.Start(), 0, 120, 14.2, 0.8)
	for _, c := range []struct {
		days float64
		want bool
	}{{10, false}, {29, false}, {31, true}} {
		later := run(m, s, 125, 125+c.days*1440, 13.2, 0)
		b := m.Belief(&later)
		if b.Starved != c.want || b.SinceFull < time.Duration(c.days*24)*time.Hour {
			t.Errorf("%v days after a full: starved %v, since full %v", c.days, b.Starved, b.SinceFull)
		}
		if b.BandPerDay <= 0 || b.BandPerDay > 0.1 {
			t.Errorf("%v days after a full the band is said to widen by %.3f a day", c.days, b.BandPerDay)
		}
	}
}

// TestTemperatureIsForgotten: a temperature that nobody tells any more is not known after two days.
func TestTemperatureIsForgotten(t *testing.T) {
	t.Parallel()
	m := studyModel(100)
	s := m.Start()
	for hour := range 5 * 24 {
		r := reading.Reading{Stamp: simStamp(time.Time{}, time.Time{}.Add(time.Duration(hour+1)*time.Hour))}
		r.Set(reading.BatteryVolts, 13.2)
		if hour < 48 {
			r.Set(reading.BatteryCelsius, 25)
		}
		s = m.Step(s, r)
		if known := !math.IsNaN(m.Belief(&s).Celsius); known != (hour < 48+celsiusHours) {
			t.Fatalf("hour %d: known %v", hour, known)
		}
	}
}
