package battery

import (
	"math"
	"math/rand/v2"
	"time"

	"ebbwatch/collector/reading"
)

// simNode is one random node: panel, controller, battery, loads and their instruments.
type simNode struct {
	rng       *rand.Rand
	cell      *simCell
	label     float64
	lat       float64
	temp      float64 // of the battery, °C
	box       float64 // warmth of the box, K
	lagH      float64
	wp        float64
	pwm       bool
	maxAmps   float64
	absorb    float64 // V
	float     float64
	tail      float64 // A; the absorption ends below this
	timerH    float64 // … or after this
	stage     reading.ChargeState
	held      float64 // h in absorption
	day       int
	coldCut   bool // no charge below 0 °C
	cutV      float64
	backV     float64
	dead      bool // load disconnected
	watts     float64
	swing     float64
	unmetered float64
	night     bool // the ghost shows at night only
	sense     simSense
	out       simFlows
}

// simFlows are the true flows of one minute.
type simFlows struct{ charge, load, unmetered, volts, pv float64 }

// simSense is what the instruments do to the truth.
type simSense struct {
	kind                     int // 0 battery current, 1 charge and load, 2 powers, 3 all
	batGain, chGain, loGain  float64
	batOff, chOff, loOff     float64
	voltGain, voltStep, step float64
	tempOff                  float64
	noTemp, noStage, lies    bool
	drop                     float64
	silent                   int // readings still to be lost
}

func newSimNode(seed uint64) *simNode {
	rng := rand.New(rand.NewPCG(seed, 77))
	between := func(a, b float64) float64 { return a + (b-a)*rng.Float64() }
	label := []float64{40, 60, 80, 100, 150, 200}[rng.IntN(6)]
	watts := label * 12.8 * 0.8 / 24 / between(2, 6)
	n := &simNode{
		rng: rng, label: label, lat: 52.75, temp: 10, box: between(0, 6), lagH: between(3, 12),
		cell: newSimCell(rng, label*between(0.75, 1.05)), wp: watts * between(9, 22), pwm: rng.IntN(3) == 0,
		absorb: between(13.8, 14.6), tail: label / between(20, 50), timerH: between(1, 3),
		coldCut: rng.IntN(2) == 0, cutV: between(11.0, 12.0), backV: between(12.8, 13.1),
		watts: watts, swing: between(0, 0.4), night: rng.IntN(4) == 0,
	}
	n.maxAmps = label * between(0.2, 0.5)
	n.float = min(between(13.3, 13.7), n.absorb)
	if rng.IntN(10) >= 3 {
		n.unmetered = between(0, 3)
	}
	n.sense = newSimSense(rng)
	return n
}

func newSimSense(rng *rand.Rand) simSense {
	sym := func(a float64) float64 { return a * (2*rng.Float64() - 1) }
	return simSense{
		kind:    rng.IntN(4),
		batGain: 1 + sym(0.02), chGain: 1 + sym(0.02), loGain: 1 + sym(0.02),
		batOff: sym(0.06), chOff: sym(0.04), loOff: sym(0.04),
		voltGain: 1 + sym(0.004), voltStep: []float64{0.01, 0.02, 0.1}[rng.IntN(3)], step: []float64{0.01, 0.01, 0.05}[rng.IntN(3)],
		tempOff: sym(2), noTemp: rng.IntN(4) == 0, noStage: rng.IntN(2) == 0, lies: rng.IntN(4) == 0,
		drop: []float64{0.001, 0.01, 0.05}[rng.IntN(3)],
	}
}

// minute runs one minute under a sky and returns the reading's flows in n.out.
func (n *simNode) minute(poa, air float64, day int) {
	n.temp += (air + n.box - n.temp) / (n.lagH * 60)
	if day != n.day {
		n.day = day
		n.stage, n.held = reading.Bulk, 0
	}
	inner, r := n.cell.inner(n.temp)
	volts := 4 * (inner + (n.out.charge-n.out.load-n.out.unmetered)*r)
	n.disconnect(volts)
	load := n.watts * (1 + n.swing*math.Sin(float64(n.rng.IntN(628))/100))
	if n.dead {
		load = 0.05
	}
	unmetered := n.unmetered
	if n.night && poa > 1 || n.cell.soc <= 0 {
		unmetered = 0
	}
	v := max(volts, 8)
	il, ig := load/v, unmetered/v
	if n.cell.soc <= 0 {
		il = 0
	}
	can := n.available(poa, v)
	set := n.setpoint()
	// the charge current that would hold the set point
	hold := (set/4-inner)/r + il + ig
	ic := min(can, max(hold, 0), n.maxAmps)
	if n.coldCut && n.temp < 0 {
		ic = min(ic, il+ig)
	}
	n.stages(ic, il, ic < can-1e-9)
	n.cell.step(ic-il-ig, 60, n.temp)
	inner, r = n.cell.inner(n.temp)
	n.out = simFlows{charge: ic, load: il, unmetered: ig, volts: 4 * (inner + (ic-il-ig)*r), pv: can * v}
}

func (n *simNode) available(poa, v float64) float64 {
	if poa < 5 {
		return 0
	}
	if n.pwm {
		return n.wp / 17.5 * poa / 1000
	}
	return max(0.95*n.wp*poa/1000-0.1, 0) / v
}

func (n *simNode) setpoint() float64 {
	if n.stage == reading.Float {
		return n.float
	}
	return n.absorb
}

func (n *simNode) stages(ic, il float64, limited bool) {
	switch {
	case n.stage != reading.Float && limited:
		n.stage = reading.Absorption
		n.held += 1. / 60
		if ic-il < n.tail && n.held > 0.2 || n.held > n.timerH {
			n.stage = reading.Float
		}
	case n.stage == reading.Absorption:
		n.stage = reading.Bulk
	case n.stage == reading.Float && n.out.volts < 12.9:
		n.stage, n.held = reading.Bulk, 0
	}
}

func (n *simNode) disconnect(volts float64) {
	if volts < n.cutV {
		n.dead = true
	} else if volts > n.backV {
		n.dead = false
	}
}

// read is what the instruments say; it is empty while nothing is heard.
func (n *simNode) read(stamp reading.Stamp) reading.Reading {
	s, o, r := &n.sense, &n.out, reading.Reading{Stamp: stamp}
	if s.silent > 0 {
		s.silent--
		return r
	}
	if n.rng.Float64() < s.drop/50 {
		s.silent = n.rng.IntN(100)
	}
	round := func(x, step float64) float64 { return math.Round(x/step) * step }
	amps := func(x, gain, off float64) float64 { return round(x*gain+off+0.01*n.rng.NormFloat64(), s.step) }
	volts := round(o.volts*s.voltGain+0.005*n.rng.NormFloat64(), s.voltStep)
	set := func(q reading.Quantity, x float64) {
		if n.rng.Float64() > s.drop {
			r.Set(q, x)
		}
	}
	set(reading.BatteryVolts, volts)
	ch, lo := max(amps(o.charge, s.chGain, s.chOff), 0), max(amps(o.load, s.loGain, s.loOff), 0)
	if s.kind == 0 || s.kind == 3 {
		set(reading.BatteryAmps, amps(o.charge-o.load, s.batGain, s.batOff))
	}
	if s.kind == 1 || s.kind == 3 {
		set(reading.ChargeAmps, ch)
		set(reading.LoadAmps, lo)
	}
	if s.kind == 2 {
		set(reading.PanelWatts, round(o.charge*o.volts*s.chGain/0.96, 0.1))
		set(reading.LoadWatts, round(max(o.load*o.volts*s.loGain+s.loOff*13, 0), 0.1))
	}
	if !s.noTemp {
		set(reading.BatteryCelsius, math.Round(n.temp+s.tempOff))
	}
	if !s.noStage {
		stage := n.stage
		if s.lies && n.rng.IntN(3) == 0 {
			stage = reading.Float
		}
		set(reading.ChargeStage, float64(stage))
	}
	return r
}

// simStamp is trusted, and on both clocks alike.
func simStamp(from time.Time, t time.Time) reading.Stamp {
	return reading.Stamp{Mono: t.Sub(from), Wall: t, Trusted: true}
}
