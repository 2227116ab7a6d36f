package battery

import (
	"math"
	"math/rand/v2"
	"os"
	"testing"

	"ebbwatch/collector/reading"
)

// TestZeroErrorsSeenAtRest: a sensor shows its zero error when nothing flows through it.
func TestZeroErrorsSeenAtRest(t *testing.T) {
	t.Parallel()
	m := model()
	for _, c := range []struct {
		name        string
		pv, on      float64
		charge      float64
		load        float64
		battery     float64 // NaN: not measured
		amps, least float64 // believed zero error, and the least of its spread
		most        float64
	}{
		{"by night the charge sensor is known, the load's is not", 0, 1, 0.05, 1, math.NaN(), 0.05, 0.03, 0.04},
		{"by night with the load off, both are known", 0, 0, 0.05, 0.02, math.NaN(), 0.03, 0, 0.01},
		{"by day neither", 30, 1, 0.05, 1, math.NaN(), 0, 0.045, 0.055},
		{"a sensor that shows no negative current", 0, 1, 0, 1, math.NaN(), -0.015, 0.035, 0.05},
		{"the battery's own, with all off", 0, 0, 0, 0, -0.04, -0.04, 0, 0.01},
		{"the battery's own, which is off by next to nothing", 0, 0, 0, 0, 0.002, 0.002, 0, 0.01},
		{"the battery's own, too coarse to show anything", 0, 0, 0, 0, 0, 0, 0.025, 0.035},
		{"the battery's own, with the load on", 0, 1, 0, math.NaN(), -0.5, 0, 0.03, 0.04},
		{"beside that of the load, both are off by something", 0, 1, 0, 0.5, -0.44, 0.03, 0.015, 0.025},
		{"so much together that both are off by all they can be", 0, 1, 0, 0.5, -0.62, -0.06, 0, 0.015},
		{"something else flows through one of them", 0, 1, 0, 0.5, -0.9, 0, 0.03, 0.04},
		{"by day the panel feeds the load", 30, 1, 0.5, 0.5, 0, 0, 0.03, 0.04},
	} {
		s := m.Start()
		for k := range 200 {
			r := at(5*float64(k), 13.1, 0)
			r = reading.Reading{Stamp: r.Stamp}
			r.Set(reading.PanelVolts, c.pv)
			r.Set(reading.LoadOn, c.on)
			r.Set(reading.ChargeAmps, c.charge)
			r.Set(reading.LoadAmps, c.load)
			r.Set(reading.BatteryAmps, c.battery) // what is not a number is not recorded
			s.zeros(&r, m.cells(), 5./60)
		}
		if o, _ := m.zero(&s); math.Abs(o.amps-c.amps) > 0.002 || o.sd() < c.least || o.sd() > c.most {
			t.Errorf("%s: %.3f±%.3f A", c.name, o.amps, o.sd())
		}
	}
}

// TestAnHourWithTheLoadOffTellsTheZero: in the dark, with the load output off, what a battery's
// sensor shows for an hour is its zero error, and what leaves besides is a load.
func TestAnHourWithTheLoadOffTellsTheZero(t *testing.T) {
	t.Parallel()
	m := model()
	s := m.Start()
	s.Gauss.set(iDrain, 0.15, 0.006)
	before := m.split(&s)
	for k := range 13 {
		r := reading.Reading{Stamp: at(5*float64(k), 0, 0).Stamp}
		r.Set(reading.PanelVolts, 0)
		r.Set(reading.LoadOn, 0)
		r.Set(reading.BatteryAmps, 0.04+0.01*math.Sin(float64(5*k)))
		s.zeros(&r, m.cells(), 5./60)
	}
	if g := m.split(&s); math.Abs(g.watts-0.11*13.2) > 0.15 || g.sd > 0.2 || before.sd < 0.35 {
		t.Errorf("before %.2f±%.2f W, after %.2f±%.2f W, want 1.45", before.watts, before.sd, g.watts, g.sd)
	}
}

// TestGhostByWhatCanBeTold prints how well the load past the meters is told after a month,
// by what the node's meters allow. Where no zero is known, a constant load and a zero error
// look alike: the band must say so.
func TestGhostByWhatCanBeTold(t *testing.T) {
	t.Parallel()
	first, last := uint64(100), uint64(106)
	switch os.Getenv("EBBWATCH_STUDY") {
	case "1":
		last = 148
	case "held":
		first, last = 1000, 1048
	}
	type group struct {
		sum, alone, best tally
		inside           float64
	}
	rng := rand.New(rand.NewPCG(3, 2))
	groups := map[string]*group{}
	all, split := &group{}, &group{}
	for seed := first; seed < last; seed++ {
		spec := demoNode(t, seed)
		var b Belief
		var zero float64
		paired := false
		liveElsewhere(spec, 30, func(now moment) {
			b = now.belief
			o, _ := studyModel(spec.Battery.LabelAh).zero(now.state)
			zero, paired = o.sd(), now.state.ZeroPair.known()
		})
		if b.SinceFull < 0 || b.DrainSD > 0.3 {
			continue // no closure yet
		}
		kind := "no zero known"
		switch {
		case zero < 0.01:
			kind = "zeros known"
		case paired:
			kind = "the battery's and the load's seen together"
		case spec.Load.UnmeteredFrom != spec.Load.UnmeteredUntil:
			kind = "load of the night"
		}
		if groups[kind] == nil {
			groups[kind] = &group{}
		}
		unmetered := spec.Load.UnmeteredWatts
		if spec.Load.UnmeteredFrom != spec.Load.UnmeteredUntil { // its mean over the day
			unmetered *= math.Mod(spec.Load.UnmeteredUntil-spec.Load.UnmeteredFrom+24, 24) / 24
		}
		limit, drain := boundOf(spec, unmetered)
		best, _ := limit.best(drain, 20000, rng)
		for _, g := range []*group{groups[kind], all} {
			g.sum.add(b.DrainWatts - unmetered - zeroError(spec)*13.2)
			g.alone.add(b.UnmeteredWatts - unmetered)
			g.best.add(best - unmetered)
			if math.Abs(b.UnmeteredWatts-unmetered) < 1.645*b.UnmeteredSD+0.1 {
				g.inside++
			}
		}
	}
	for kind, g := range groups {
		if kind != "zeros known" {
			split.alone.join(g.alone)
			split.best.join(g.best)
		}
		t.Logf("%s: %d nodes; load and zero error together rms %.2f W; the load alone rms %.2f W, median %.2f W, from the exact sum rms %.2f W; the band holds %.2f",
			kind, len(g.alone.abs), g.sum.rms(), g.alone.rms(), g.alone.at(0.5), g.best.rms(), g.inside/float64(len(g.alone.abs)))
	}
	if n := float64(len(all.alone.abs)); n < 3 || all.sum.rms() > 0.5 || all.inside < 0.7*n {
		t.Errorf("%.0f nodes: the sum is off by %.2f W rms, the band of the load holds %.0f times", n, all.sum.rms(), all.inside)
	}
	if split.alone.rms() > 1.2*split.best.rms() && len(split.alone.abs) > 20 {
		t.Errorf("where no zero is seen by itself the load is off by %.2f W rms, from the exact sum it would be by %.2f W", split.alone.rms(), split.best.rms())
	}
}
