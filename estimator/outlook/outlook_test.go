package outlook

import (
	"encoding/json"
	"fmt"
	"math"
	"testing"
	"time"

	"ebbwatch/collector/reading"
	"ebbwatch/estimator/battery"
)

func testModel() Model {
	return Model{
		Site:    Site{Latitude: 52.75, Longitude: 6.57, WattsPeak: 240, TiltDeg: 60, AzimuthDeg: 180, MPPT: true, Zone: time.UTC, Insolation: []float64{0.6, 1.2, 2.4, 4.0, 5.0, 5.3, 5.0, 4.3, 3.0, 1.7, 0.8, 0.5}},
		Battery: battery.Battery{CapacityAh: 100, Cells: 4, Reserve: 0.2, CutoffVolts: 11.6},
	}
}

func belief(soc float64) battery.Belief {
	return battery.Belief{SoC: soc, Low: soc - 0.05, High: soc + 0.05, SoCSD: 0.03, UsableAh: 95, UsableAhSD: 4, MilliOhms: math.NaN()}
}

// live feeds days of a steady load and a share of the clear harvest, every five minutes.
func live(m Model, s State, from time.Time, days int, load, share float64) State {
	p := m.plant()
	for i := range days * 288 {
		d := time.Duration(i) * 5 * time.Minute
		r := reading.Reading{Stamp: reading.Stamp{Mono: time.Duration(from.Unix())*time.Second + d, Wall: from.Add(d), Trusted: true}}
		v := p.view(from.Add(d-150*time.Second), 10, &s)
		w, _ := p.watts(&v, share)
		w *= 0.9
		r.Set(reading.LoadWatts, load)
		r.Set(reading.BatteryVolts, 13.2)
		r.Set(reading.BatteryAmps, (w-load)/13.2)
		s = m.Step(s, r, belief(0.6))
	}
	return s
}

// Two dull weeks in December with a load that the panel cannot carry: the outlook must see
// the end coming, in order, and say the same when asked twice.
func TestProjectSeesADullSpell(t *testing.T) {
	t.Parallel()
	m := testModel()
	from := time.Date(2024, 12, 1, 0, 0, 0, 0, time.UTC)
	s := live(m, m.Start(), from, 14, 10, 0.2)
	now := from.Add(14*24*time.Hour - 6*time.Hour)
	o := m.Project(&s, belief(0.6), now, nil, 1)
	if !(o.Reserve.P10 < o.Reserve.P50 && o.Reserve.P50 < o.Cutoff.P50) {
		t.Errorf("reserve %+v, cut-off %+v: out of order", o.Reserve, o.Cutoff)
	}
	// 60 % of 95 Ah at about 13 V feeds 10 W for 72 h when there is no sun.
	if math.Abs(o.NoSunHours-72) > 5 {
		t.Errorf("without sun: got %.1f h, want about 72", o.NoSunHours)
	}
	for i, p := range o.Cutoff.Within {
		if p > o.Reserve.Within[i] || i > 0 && p < o.Cutoff.Within[i-1] {
			t.Errorf("chances out of order: reserve %v, cut-off %v", o.Reserve.Within, o.Cutoff.Within)
		}
	}
	if o.Cutoff.Within[4] < 0.2 || o.Cutoff.Within[0] > 0.01 {
		t.Errorf("chances of a cut-off: %v", o.Cutoff.Within)
	}
	again := m.Project(&s, belief(0.6), now, nil, 1)
	if fmt.Sprint(again) != fmt.Sprint(o) {
		t.Errorf("the same again gave %+v, first %+v", again.Cutoff, o.Cutoff)
	}
}

func TestStateComesBackFromJSON(t *testing.T) {
	t.Parallel()
	m := testModel()
	s := live(m, m.Start(), time.Date(2024, 12, 1, 0, 0, 0, 0, time.UTC), 3, 10, 0.5)
	text, err := json.Marshal(s)
	if err != nil {
		t.Fatal(err)
	}
	var back State
	if err := json.Unmarshal(text, &back); err != nil {
		t.Fatal(err)
	}
	if s != back {
		t.Errorf("came back different")
	}
}

func BenchmarkProject(b *testing.B) {
	m := testModel()
	s := live(m, m.Start(), time.Date(2024, 12, 1, 0, 0, 0, 0, time.UTC), 14, 10, 0.3)
	now := time.Date(2024, 12, 14, 18, 0, 0, 0, time.UTC)
	for b.Loop() {
		m.Project(&s, belief(0.6), now, nil, 1)
	}
}

// Counters saturate; the rates that hang on them must not. A skyline cell and an hour of
// the load are taught for longer than their counters can count.
func TestCountersSaturate(t *testing.T) {
	t.Parallel()
	var h Skyline
	var l Load
	l.Level = 10
	for range 70000 {
		h.learn(7, 0.5)
		l.bend(0, 3, 1.2)
	}
	if math.Abs(h.Share[7]-0.5) > 0.01 || math.Abs(l.Shape[0][3]-1.2) > 0.01 {
		t.Errorf("share %g, want 0.5; shape %g, want 1.2", h.Share[7], l.Shape[0][3])
	}
}

// Spreading each quantity evenly over its distribution leaves little to chance: outlooks of
// different seeds must agree far better than independent draws of the same number would
// (a spread of 0.022 at one half).
func TestSeedsAgree(t *testing.T) {
	t.Parallel()
	m := testModel()
	from := time.Date(2024, 12, 1, 0, 0, 0, 0, time.UTC)
	s := live(m, m.Start(), from, 14, 10, 0.3)
	now := from.Add(14*24*time.Hour - 6*time.Hour)
	var sum, square [5]float64
	const seeds = 24
	for seed := range seeds {
		o := m.Project(&s, belief(0.6), now, nil, uint64(seed))
		for i, p := range o.Cutoff.Within {
			sum[i] += p / seeds
			square[i] += p * p / seeds
		}
	}
	for i, within := range Withins() {
		sd := math.Sqrt(max(0, square[i]-sum[i]*sum[i]))
		t.Logf("within %d h: %.3f ± %.4f", within, sum[i], sd)
		if alone := math.Sqrt(sum[i] * (1 - sum[i]) / Paths); sd > 0.85*alone+0.001 {
			t.Errorf("within %d h: chances spread by %.4f over the seeds, independent draws by %.4f", within, sd, alone)
		}
	}
}

// A step allocates nothing, whatever is measured.
func TestStepAllocatesNothing(t *testing.T) {
	m := testModel()
	s := live(m, m.Start(), time.Date(2024, 12, 1, 0, 0, 0, 0, time.UTC), 2, 10, 0.3)
	r := reading.Reading{Stamp: reading.Stamp{Mono: s.Clock.Mono, Wall: time.Unix(0, s.Clock.Wall), Trusted: true}}
	r.Set(reading.LoadWatts, 10)
	r.Set(reading.PanelWatts, 30)
	b := belief(0.6)
	n := testing.AllocsPerRun(100, func() {
		r.Mono += time.Minute
		r.Wall = r.Wall.Add(time.Minute)
		s = m.Step(s, r, b)
	})
	if n > 0.5 {
		t.Errorf("%g allocations a step", n)
	}
}

// A reserve below the charge at which the load is cut off is never reached first: it must
// not hide the cut-off.
func TestReserveBelowTheCutoff(t *testing.T) {
	t.Parallel()
	m := testModel()
	s := live(m, m.Start(), time.Date(2024, 12, 1, 0, 0, 0, 0, time.UTC), 10, 10, 0.1)
	now := time.Date(2024, 12, 10, 18, 0, 0, 0, time.UTC)
	with := m.Project(&s, belief(0.4), now, nil, 1)
	m.Battery.Reserve = 0
	without := m.Project(&s, belief(0.4), now, nil, 1)
	if with.Cutoff != without.Cutoff && fmt.Sprint(with.Cutoff) != fmt.Sprint(without.Cutoff) || without.Cutoff.Within[4] < 0.5 {
		t.Errorf("cut-off with a reserve %+v, without %+v", with.Cutoff, without.Cutoff)
	}
}
