package battery

import (
	"math"
	"math/rand/v2"
	"time"

	"ebbwatch/collector/reading"
)

// judgeNode is a node around the judge's pack: panel, one of five kinds of controller, load,
// and instruments with their faults.
type judgeNode struct {
	rng               *rand.Rand
	pack              *judgePack
	label             float64
	temp, box, lagH   float64 // °C of the battery, K and h of its box
	wp, watts, hidden float64 // W of the panel, of the load, past the meters
	policy            judgePolicy
	absorb, float     float64 // V
	tail, hours       float64 // A and h that end absorption
	again             float64 // V below which a float-for-ever controller absorbs again
	pwm               bool
	cutV, backV       float64
	floating, off     bool
	held              float64
	day               int
	true              simFlows
	sense             judgeSense
}

// judgePolicy is what a controller does once the battery was full.
type judgePolicy int

const (
	daily      judgePolicy = iota // absorbs each day until the current has tapered
	byTime                        // absorbs each day for two hours
	forEver                       // floats until the voltage falls far
	lowSetting                    // one low set point, always
)

// judgeSense is what the instruments do to the truth.
type judgeSense struct {
	kind                   int // 0 battery current, 1 charge and load, 2 powers, 3 all
	only                   map[reading.Quantity]bool
	gain, zero             [3]float64 // of battery, charge and load current
	voltGain, voltZero     float64
	voltStep, ampStep      float64
	tempZero               float64
	noTemp, panelV, onTold bool
	every                  int // minutes
}

func newJudgeNode(seed uint64) *judgeNode {
	rng := rand.New(rand.NewPCG(seed, 4711))
	in := func(a, b float64) float64 { return a + (b-a)*rng.Float64() }
	label := []float64{50, 80, 100, 150, 200, 280}[rng.IntN(6)]
	n := &judgeNode{
		rng: rng, label: label, pack: newJudgePack(rng, label*in(0.82, 1.05)), temp: 12, box: in(0, 4), lagH: in(3, 14),
		watts: label * 12.8 * 0.8 / 24 / in(2, 6), absorb: in(14.0, 14.6), float: in(13.4, 13.7),
		tail: label / in(20, 50), hours: in(1.5, 3), again: in(12.4, 12.9), cutV: in(11.0, 12.0), backV: in(12.6, 13.1),
	}
	n.wp = n.watts * in(9, 22)
	if rng.IntN(5) < 2 {
		n.hidden = in(0.2, 1.5)
	}
	n.sense = judgeSense{
		kind: rng.IntN(4), voltGain: 1 + in(-0.003, 0.003), voltZero: 0, voltStep: []float64{0.01, 0.02}[rng.IntN(2)],
		ampStep: []float64{0.01, 0.02}[rng.IntN(2)], tempZero: in(-1.5, 1.5), noTemp: rng.IntN(4) == 0,
		panelV: rng.IntN(2) == 0, onTold: rng.IntN(2) == 0, every: 5,
	}
	for k := range 3 {
		n.sense.gain[k], n.sense.zero[k] = 1+in(-0.02, 0.02), in(-0.05, 0.05)
	}
	return n
}

// minute lives one minute under a sky.
func (n *judgeNode) minute(poa, air float64, day int) {
	n.temp += (air + n.box - n.temp) / (n.lagH * 60)
	if day != n.day {
		n.day, n.held = day, 0
		if n.policy != forEver {
			n.floating = false
		}
	}
	inner, ohms := n.pack.inner(n.temp)
	volts := max(n.true.volts, 8)
	load, hidden := n.watts*(1+0.2*math.Sin(float64(n.rng.IntN(628))/100)), n.hidden
	if !n.pack.feed || n.true.volts < n.cutV && n.true.volts > 0 {
		n.off = true
	} else if n.true.volts > n.backV {
		n.off = false
	}
	if n.off {
		load = 0
	}
	if !n.pack.feed {
		hidden = 0
	}
	il, ig := load/volts, hidden/volts
	can := n.available(poa, volts)
	set := n.setting()
	hold := max((set-inner)/ohms, 0) + il + ig
	if !n.pack.charge {
		hold = il + ig // the bus stands at the set point, the battery takes nothing
	}
	ic := min(can, hold)
	net := ic - il - ig
	n.true = simFlows{charge: ic, load: il, unmetered: ig, pv: can * volts}
	n.pack.step(net, 60, n.temp)
	inner, ohms = n.pack.inner(n.temp)
	n.true.volts = inner + net*ohms
	switch {
	case !n.pack.charge && can > il+ig:
		n.true.volts = set
	case !n.pack.feed && ic <= 0:
		n.true.volts = 0
	}
	n.stage(net, can > hold+1e-9)
}

func (n *judgeNode) available(poa, volts float64) float64 {
	switch {
	case poa < 5:
		return 0
	case n.pwm:
		return n.wp / 17.5 * poa / 1000
	}
	return max(0.95*n.wp*poa/1000-0.1, 0) / volts
}

func (n *judgeNode) setting() float64 {
	if n.floating && n.policy != lowSetting {
		return n.float
	}
	return n.absorb
}

func (n *judgeNode) stage(net float64, limited bool) {
	switch {
	case !n.floating && limited:
		n.held += 1. / 60
		tapered := n.policy != byTime && net < n.tail && n.held > 0.2
		if tapered || n.held > n.hours {
			n.floating = true
		}
	case n.floating && n.policy == forEver && n.true.volts < n.again:
		n.floating, n.held = false, 0
	}
}

// read is what the instruments say.
func (n *judgeNode) read(stamp reading.Stamp) reading.Reading {
	s, o, r := &n.sense, &n.true, reading.Reading{Stamp: stamp}
	round := func(x, step float64) float64 { return math.Round(x/step) * step }
	set := func(q reading.Quantity, x float64) {
		if s.only == nil || s.only[q] {
			r.Set(q, x)
		}
	}
	amps := func(k int, x float64) float64 {
		return round(x*s.gain[k]+s.zero[k]+0.01*n.rng.NormFloat64(), s.ampStep)
	}
	if o.volts < 9 && n.true.pv <= 0 {
		return r // nothing to run on
	}
	volts := round(o.volts*s.voltGain+s.voltZero+0.004*n.rng.NormFloat64(), s.voltStep)
	set(reading.BatteryVolts, volts)
	if s.kind == 0 || s.kind == 3 {
		set(reading.BatteryAmps, amps(0, o.charge-o.load))
	}
	if s.kind == 1 || s.kind == 3 {
		set(reading.ChargeAmps, max(amps(1, o.charge), 0))
		set(reading.LoadAmps, max(amps(2, o.load), 0))
	}
	if s.kind == 2 {
		set(reading.PanelWatts, round(max(o.charge*o.volts*s.gain[1]/0.96, 0), 10*s.ampStep))
		set(reading.LoadWatts, round(max((o.load*s.gain[2]+s.zero[2])*o.volts, 0), 10*s.ampStep))
	}
	if !s.noTemp {
		set(reading.BatteryCelsius, math.Round(n.temp+s.tempZero))
	}
	if s.panelV {
		set(reading.PanelVolts, map[bool]float64{true: 18, false: 0}[o.pv > 0])
	}
	if s.onTold {
		set(reading.LoadOn, map[bool]float64{true: 0, false: 1}[n.off])
	}
	return r
}

// judgeStart is a sky for a seed, the latitude it is at, and how large a panel is there against
// one in the Netherlands.
func judgeStart(seed uint64, cold bool) (file string, lat, panel float64, from time.Time) {
	places := []struct {
		file       string
		lat, panel float64
		year       int
	}{
		{"knmi_279_daily.csv", 52.75, 1, 1995}, {"climates/rothamsted_daily.csv", 51.81, 1, 1970}, {"climates/ames_iowa_daily.csv", 42.02, 0.6, 1983},
		{"knmi_251_daily.csv", 53.39, 1, 1998}, {"climates/gainesville_daily.csv", 29.63, 0.4, 1990}, {"climates/faisalabad_daily.csv", 31.43, 0.35, 1985},
	}
	k := int(seed % 6)
	if cold {
		k = int(seed % 4)
	}
	p := places[k]
	return p.file, p.lat, p.panel, time.Date(p.year+int(seed/6%8), time.Month(4+seed*5%7), 1, 0, 0, 0, 0, time.UTC)
}
