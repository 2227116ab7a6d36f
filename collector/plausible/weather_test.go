package plausible

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"ebbwatch/collector/reading"
)

// rough is a second honest node, unlike the simulated one on purpose: a dozen equations, broken
// clouds that take six sevenths of the light within one poll, loads in bursts, registers that are
// means of a minute, and whatever else a club hangs on a battery without telling anybody.
type rough struct {
	rng                                                       *rand.Rand
	every                                                     time.Duration
	peak, ah, ohms, steady, burst                             float64
	wind, second, inverter, netOfLoad, stage, shunt, meanAmps bool
	volts, amps, watts                                        float64 // steps of the meters
	missing                                                   float64

	soc, cloud, gust, mean, lift float64
	on                           bool
}

func newRough(seed uint64, every time.Duration) *rough {
	r := rand.New(rand.NewPCG(seed, 515))
	often := func(p float64) bool { return r.Float64() < p }
	pick := func(xs ...float64) float64 { return xs[r.IntN(len(xs))] }
	return &rough{
		rng: r, every: every, peak: pick(60, 120, 240, 400), ah: pick(40, 80, 100, 200), ohms: 0.003 + 0.012*r.Float64(),
		steady: 0.4 + 2*r.Float64(), burst: 2 * r.Float64(),
		wind: often(0.2), second: often(0.2), inverter: often(0.25), netOfLoad: often(0.15), stage: often(0.6), shunt: often(0.7), meanAmps: often(0.3),
		volts: pick(0.01, 0.01, 0.05, 0.1), amps: pick(0.01, 0.01, 0.1), watts: pick(0.1, 1), missing: pick(0, 0, 0.03),
		soc: 0.4 + 0.5*r.Float64(), cloud: 1,
	}
}

// light is the panel's share of its label: half a day of sun, with clouds that come and go at once.
func (n *rough) light(hour float64) (light, elevation float64) {
	elevation = 45 * math.Sin((hour-6)/12*math.Pi)
	if n.rng.Float64() < 0.01*n.every.Seconds()/10 {
		n.cloud = 1.15 - n.cloud // 1 or 0.15
	}
	return max(0, math.Sin(elevation*math.Pi/180)) * n.cloud * (1 + 0.01*n.rng.NormFloat64()), elevation
}

// poll makes the readings of a moment.
func (n *rough) poll(at time.Duration) ([]reading.Value, float64) {
	light, elevation := n.light(math.Mod(at.Hours(), 24))
	dt := n.every.Hours()
	load := n.steady * (1 + 0.02*n.rng.NormFloat64())
	if n.rng.Float64() < 0.2 {
		load += n.burst
	}
	if n.rng.Float64() < 0.005 {
		n.on = !n.on
	}
	other := 0.0
	if n.inverter && n.on {
		other -= 6
	}
	if n.gust = 0.9*n.gust + 0.4*n.rng.NormFloat64(); n.wind {
		other += max(0, 2*n.steady+3*n.gust)
	}
	rest := 12.9 + 0.5*n.soc + 20*max(n.soc-0.95, 0)
	watts := n.peak * light
	charge := 0.94 * watts / rest
	if n.second {
		other += 0.7 * charge
	}
	stage := reading.Bulk
	if held := (14.2-rest-n.lift)/n.ohms - other + load; charge > held { // it holds the voltage
		stage, charge = reading.Absorption, max(held, 0)
		watts = charge * 14.2 / 0.94
	}
	if watts < 0.5 {
		stage, charge, watts = reading.Off, 0, 0
	}
	into := charge + other - load
	n.soc = min(max(n.soc+into*dt/n.ah, 0.05), 1)
	n.lift += (0.02*into/(n.ah/100) - n.lift) * min(1, n.every.Seconds()/900)
	volts := rest + n.ohms*into + n.lift
	n.mean += (charge - n.mean) * min(1, n.every.Seconds()/60)
	return n.meters(volts, into, charge, watts, load, stage), elevation
}

func (n *rough) meters(volts, into, charge, watts, load float64, stage reading.ChargeState) (out []reading.Value) {
	add := func(q reading.Quantity, x, noise, step float64) {
		if n.rng.Float64() >= n.missing {
			out = append(out, reading.Value{Quantity: q, X: math.Round((x+noise*n.rng.NormFloat64())/step) * step})
		}
	}
	said := charge
	if n.meanAmps {
		said = n.mean
	}
	if n.netOfLoad {
		said = max(said-load, 0)
	}
	panel := 17 + 1.5*min(watts/n.peak, 1)
	add(reading.BatteryVolts, volts, 0.004, n.volts)
	if n.shunt {
		add(reading.BatteryAmps, into, 0.01, n.amps)
	}
	add(reading.PanelVolts, panel, 0.02, 0.01)
	add(reading.PanelAmps, watts/panel, 0.005, n.amps)
	add(reading.PanelWatts, watts, 0.05, n.watts)
	add(reading.ChargeAmps, said, 0.005, n.amps)
	add(reading.LoadVolts, volts-0.02, 0.004, n.volts)
	add(reading.LoadAmps, load, 0.005, n.amps)
	add(reading.LoadWatts, load*volts, 0.05, n.watts)
	if n.stage {
		out = append(out, reading.Value{Quantity: reading.ChargeStage, X: float64(stage)})
	}
	return out
}

// A week of each such node, polled every ten seconds and every minute: of a node's year at most one
// doubt is false.
func TestRoughWeeksAreBelieved(t *testing.T) {
	t.Parallel()
	first, nodes := uint64(0), uint64(study(6, 104))
	doubts, polls := 0, 0
	for seed := first; seed < first+nodes; seed++ {
		every := time.Minute
		if seed%3 == 0 {
			every = 10 * time.Second
		}
		n := newRough(seed, every)
		var s State
		d := newDoubts()
		span := time.Duration(study(2, 7)) * 24 * time.Hour
		for at := every; at <= span; at += every {
			values, elevation := n.poll(at)
			c := Context{Site: Site{Cells: 4, CapacityAh: n.ah, WattsPeak: n.peak}, SunElevation: elevation}
			values, s = Step(s, reading.Stamp{Mono: at}, values, c)
			d.note(at, values)
			polls++
		}
		if d.polls > 0 {
			doubts++
			t.Logf("node %d (%+v) doubted in %d polls: %v", seed, *n, d.polls, d)
		}
	}
	years := float64(nodes) * float64(study(2, 7)) / 365
	t.Logf("%d of %d nodes with a false doubt in %.2f node-years, %d polls", doubts, nodes, years, polls)
	if float64(doubts) > max(years, 0) {
		t.Errorf("%d false doubts in %.2f node-years", doubts, years)
	}
}
