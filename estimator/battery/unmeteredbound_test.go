package battery

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"ebbwatch/collector/reading"
	"ebbwatch/collector/sim"
)

// How well could anybody tell a load past the meters from a zero error? The populations are
// those of both simulators: of ten nodes three have no such load, the others 0 to 3 W, a
// quarter of them in the dark half of the day alone; each sensor is off by up to 60 mA either
// way. Whoever knows the sum of both exactly, the populations, and what sensors showed at
// rest, errs least on average by the mean of all loads that fit. No reading tells more of a
// constant load and a constant zero error.

const boundVolts = 13.2

// boundGhost draws a load, W as a mean over the day.
func boundGhost(rng *rand.Rand) float64 {
	w := 3 * rng.Float64()
	switch x := rng.Float64(); {
	case x < 0.3:
		return 0
	case x < 0.3+0.7/4:
		return w / 2
	}
	return w
}

// bound is what a node's meters leave open: the zero error that is not known is anything from
// low to high, A, and another one lies between -hidden and 0 and counts by day alone.
type bound struct{ low, high, hidden float64 }

// best is the mean of all loads that leave together with the zero error exactly so many
// watts, and, of those from 0.5 W on, the largest share that any span of ±0.3 W holds.
func (b bound) best(drain float64, draws int, rng *rand.Rand) (mean, within float64) {
	var fit []float64
	var sum, n float64
	for range draws {
		g := boundGhost(rng)
		zero := (drain-g)/boundVolts + b.hidden/2*rng.Float64()
		if zero >= b.low && zero <= b.high {
			sum += g
			n++
			if g >= 0.5 {
				fit = append(fit, g)
			}
		}
	}
	slices.Sort(fit)
	most, k := 0, 0
	for j, g := range fit {
		for fit[k] < g-0.6 {
			k++
		}
		most = max(most, j-k+1)
	}
	return sum / max(n, 1), float64(most) / max(float64(len(fit)), 1)
}

// boundOf is the bound of a node of the demonstration's simulator, and what leaves it
// together with the zero error that is not seen, W, when so much passes the meters.
func boundOf(spec sim.Spec, unmetered float64) (b bound, drain float64) {
	off := func(q reading.Quantity) float64 { return spec.Sensors.Errors[q].Offset }
	has := func(q reading.Quantity) bool { return slices.Contains(spec.Sensors.Quantities, q) }
	const most = 0.06
	battery, charge, load := off(reading.BatteryAmps), off(reading.ChargeAmps), off(reading.LoadAmps)
	switch {
	case has(reading.BatteryAmps) && has(reading.LoadAmps):
		both := battery + load // as the dark shows it
		return bound{low: max(-most, both-most), high: min(most, both+most)}, unmetered + battery*boundVolts
	case has(reading.BatteryAmps):
		return bound{low: -most, high: most}, unmetered + battery*boundVolts
	case charge > 0: // the dark shows it
		return bound{low: -most, high: most}, unmetered - load*boundVolts
	}
	return bound{low: -most, high: most, hidden: most}, unmetered + (charge/2-load)*boundVolts
}

// TestGhostBound draws nodes, gives the split the sum as exactly as it may ever know it, and
// holds it against the best that anybody could do. It says too what cannot be had: with
// nothing but the sum, ±0.3 W is out of reach.
func TestGhostBound(t *testing.T) {
	t.Parallel()
	m := model()
	rng := rand.New(rand.NewPCG(3, 1))
	zero := func() float64 { return 0.06 * (2*rng.Float64() - 1) }
	for _, c := range []struct {
		name        string
		both        bool
		least, most float64 // of the bound, W
		within      float64 // how many of the loads from 0.5 W on could be told to ±0.3 W
	}{
		{"the battery's sensor alone", false, 0.35, 0.42, 0.6},
		{"and that of the load", true, 0.25, 0.33, 0.8},
	} {
		var ours, best tally
		held, within, loads := 0.0, 0.0, 0.0
		const nodes = 1500
		for range nodes {
			s := m.Start()
			s.OwnHours = 24
			unmetered, battery, load := boundGhost(rng), zero(), zero()
			b := bound{low: -0.06, high: 0.06}
			if c.both {
				s.ZeroPair = Pair{Zero: Zero{Amps: battery + load, Hours: 300}}
				b = bound{low: max(-0.06, battery+load-0.06), high: min(0.06, battery+load+0.06)}
			}
			drain := unmetered + battery*boundVolts
			s.Gauss.set(iDrain, drain/boundVolts, 0)
			g := m.split(&s)
			mean, in := b.best(drain, 3000, rng)
			ours.add(g.watts - unmetered)
			best.add(mean - unmetered)
			if unmetered >= 0.5 {
				within += in
				loads++
			}
			if math.Abs(g.watts-unmetered) < 1.645*g.sd+0.1 {
				held++
			}
		}
		t.Logf("%s: rms error %.3f W, the best possible %.3f W; at most %.2f of the loads from 0.5 W on could be told to ±0.3 W; the band holds %.2f",
			c.name, ours.rms(), best.rms(), within/loads, held/nodes)
		if best.rms() < c.least || best.rms() > c.most || within > c.within*loads {
			t.Errorf("%s: the bound is %.3f W, %.2f within 0.3 W", c.name, best.rms(), within/loads)
		}
		if ours.rms() > 1.05*best.rms() || held < 0.85*nodes {
			t.Errorf("%s: %.3f W against a bound of %.3f W; the band holds %.2f", c.name, ours.rms(), best.rms(), held/nodes)
		}
	}
}
