package battery

import (
	"math"
	"math/rand/v2"
)

// The judge's pack shares no equation with the estimator, nor with the simulators beside it:
// four cells in series that differ in size and charge, each a source of smooth functions
// (tanh and exponentials, fitted by eye to the measured cell of the shared data) behind a
// resistance and two RC links; hysteresis and resistance grow in the cold, which hides charge
// at the empty end; and a protection circuit that opens for charging or for feeding and lets
// go again only at other voltages and temperatures than those at which it opened.

// judgeCell is one cell in series.
type judgeCell struct {
	ah, amp    float64 // capacity at 25 °C; charge in it, Ah
	v1, v2     float64
	branch     float64
	over       float64       // Ah beyond full
	base, step float64       // V, where on the charge axis the curve steps
	foot       float64       // V, depth of its foot
	table      [1025]float64 // of the curve, so that it need not be worked out each minute
}

// judgePack is the whole battery.
type judgePack struct {
	cells                [4]judgeCell
	r0, r1, r2           float64 // ohm a cell at 25 °C
	t1, t2               float64 // s
	hyst, turn           float64 // V at 25 °C, share of the capacity
	coldR, coldH, hidden float64 // per kelvin below 25 °C
	coulombic, self      float64
	bleed                float64 // A, of a balancer above its voltage
	chargeFrom, release  float64 // °C: charge is refused below, taken again above
	hotFrom, hotRelease  float64
	charge, feed         bool // the protection lets current in and out
	why                  string
}

func newJudgePack(rng *rand.Rand, ah float64) *judgePack {
	in := func(a, b float64) float64 { return a + (b-a)*rng.Float64() }
	scale := 100 / ah
	p := &judgePack{
		r0: in(0.5, 1.6) * 1e-3 * scale, r1: in(0.3, 0.9) * 1e-3 * scale, r2: in(0.4, 1.6) * 1e-3 * scale,
		t1: in(30, 150), t2: in(1500, 5000), hyst: in(0.006, 0.016), turn: in(0.01, 0.05),
		coldR: in(0.015, 0.04), coldH: in(0.005, 0.02), hidden: in(0.002, 0.007), coulombic: in(0.995, 0.9995),
		self: in(0.015, 0.03) / 720, bleed: in(0.03, 0.06), chargeFrom: in(0, 2), hotFrom: in(45, 55),
		charge: true, feed: true,
	}
	p.release, p.hotRelease = p.chargeFrom+in(2.5, 5), p.hotFrom-5
	p.chargeFrom -= 40 // most nodes stand where it never is so cold, or are built for it
	x, spread := in(0.4, 0.95), in(0, 0.012)
	base, step, foot := in(-0.006, 0.006), in(0.58, 0.70), in(0.175, 0.215)
	for k := range p.cells {
		own := ah * in(0.985, 1.015)
		p.cells[k] = judgeCell{ah: own, amp: own * min(max(x+spread*rng.NormFloat64(), 0), 1), branch: -1, base: base + in(-0.001, 0.001), step: step, foot: foot}
		for i := range p.cells[k].table {
			p.cells[k].table[i] = p.cells[k].curve(float64(i) / 1024)
		}
	}
	return p
}

// rest is the voltage of a cell of whose usable charge a share x is left.
func (c *judgeCell) rest(x float64) float64 {
	place := min(max(x, 0), 1) * 1024
	k := min(int(place), 1023)
	return c.table[k] + (c.table[k+1]-c.table[k])*(place-float64(k)) + 60*c.over/c.ah
}

// curve is that voltage of a cell that was not charged beyond full.
func (c *judgeCell) curve(x float64) float64 {
	return 3.292 + c.base + 0.0165*math.Tanh((x-c.step)/0.04) + 0.018*(x-0.5) -
		c.foot*math.Exp(-x/0.1) - 0.75*math.Exp(-x/0.012) + 0.16*math.Exp(-(1-x)/0.004)
}

// share is what is left of a cell's usable charge at a temperature: the cold hides some at the
// empty end.
func (p *judgePack) share(c *judgeCell, celsius float64) float64 {
	lost := min(p.hidden*max(25-celsius, 0), 0.4)
	return (c.amp/c.ah - lost) / (1 - lost)
}

// soc is the truth: what the emptiest cell can still give, of what a balanced pack could.
func (p *judgePack) soc(celsius float64) float64 {
	least, size := math.Inf(1), math.Inf(1)
	for k := range p.cells {
		c := &p.cells[k]
		least, size = min(least, p.share(c, celsius)*c.ah), min(size, c.ah)
	}
	return min(max(least/size, 0), 1)
}

// inner is the voltage behind the series resistance, and that resistance.
func (p *judgePack) inner(celsius float64) (volts, ohms float64) {
	cold := max(25-celsius, 0)
	for k := range p.cells {
		c := &p.cells[k]
		volts += c.rest(p.share(c, celsius)) + c.branch*p.hyst*(1+p.coldH*cold) + c.v1 + c.v2
	}
	return volts, 4 * p.r0 * math.Exp(p.coldR*cold)
}

// step lets current flow for some seconds, and moves the protection.
func (p *judgePack) step(amps, seconds, celsius float64) {
	slow := math.Exp(p.coldR * max(25-celsius, 0))
	d1, d2 := math.Exp(-seconds/p.t1), math.Exp(-seconds/p.t2)
	high, low := 0.0, 9.0
	for k := range p.cells {
		c := &p.cells[k]
		moved := amps * seconds / 3600
		c.v1, c.v2 = c.v1*d1+amps*p.r1*slow*(1-d1), c.v2*d2+amps*p.r2*slow*(1-d2)
		if amps != 0 {
			turn := math.Exp(-math.Abs(moved) / c.ah / p.turn)
			c.branch = c.branch*turn + math.Copysign(1-turn, amps)
		}
		if moved > 0 {
			moved *= p.coulombic
		}
		v := c.rest(p.share(c, celsius)) + c.v1 + c.v2 + amps*p.r0*slow
		if v > 3.44 {
			moved -= p.bleed * seconds / 3600
		}
		moved -= p.self * c.ah * seconds / 3600
		c.over = max(c.over+min(moved, max(c.amp+moved-c.ah, 0)), 0)
		if moved < 0 {
			c.over = max(c.over+moved, 0)
		}
		c.amp = min(max(c.amp+moved, 0), c.ah)
		high, low = max(high, v), min(low, v)
	}
	p.protect(high, low, celsius)
}

// protect opens and lets go: each reason at its own figures (common practice for the circuits
// in such packs).
func (p *judgePack) protect(high, low, celsius float64) {
	if p.charge {
		switch {
		case celsius < p.chargeFrom:
			p.charge, p.why = false, "cold"
		case celsius > p.hotFrom:
			p.charge, p.why = false, "heat"
		case high > 3.65:
			p.charge, p.why = false, "cell"
		}
	} else if p.why == "cold" && celsius > p.release || p.why == "heat" && celsius < p.hotRelease || p.why == "cell" && high < 3.40 {
		p.charge = true
	}
	if low < 2.6 {
		p.feed = false
	} else if low > 3.0 {
		p.feed = true
	}
}
