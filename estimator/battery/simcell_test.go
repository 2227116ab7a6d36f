package battery

import (
	"math"
	"math/rand/v2"
)

// The simulated battery below shares no equation with the estimator: it solves two RC
// links and a hysteresis link minute by minute over curves of other shapes.

// simCell is one series cell (or parallel group) of the pack.
type simCell struct {
	soc          float64 // the truth
	over         float64 // what was put in beyond full
	soft         bool    // takes current for ever at full, as a balancer does
	ah           float64 // true capacity, Ah
	curve        []float64
	wave         [4]float64 // smooth departure from the curve, V
	r0, r1, r2   float64    // ohm at 25 °C
	tau1, tau2   float64    // s
	v1, v2       float64
	hyst, hystIn float64 // size, V; share of the capacity over which the branch turns
	branch       float64 // -1 discharging, +1 charging
	coldR        float64 // log resistance per kelvin below 25 °C
	coldAh       float64 // capacity lost per kelvin below 25 °C
	fullAt25     bool    // charge is counted against the capacity at 25 °C
	efficiency   float64
	selfPerHour  float64
}

// Curves at 0, 2, 5, 10, 20, 30 … 90, 95, 99, 100 % of charge, V a cell. The first is read
// off the public C/20 discharge (10 mV added for its load and branch), the second is the
// public parameter file's, both in the shared data; the third is of the kind that rest
// voltage charts show (common practice).
func simCurves() [3][]float64 {
	return [3][]float64{
		{2.02, 3.02, 3.148, 3.190, 3.242, 3.270, 3.277, 3.281, 3.287, 3.314, 3.320, 3.325, 3.327, 3.34, 3.48},
		{2.000, 2.948, 3.137, 3.188, 3.230, 3.267, 3.275, 3.278, 3.286, 3.306, 3.318, 3.322, 3.323, 3.334, 3.649},
		{2.50, 2.90, 3.05, 3.175, 3.225, 3.252, 3.268, 3.280, 3.290, 3.303, 3.320, 3.332, 3.345, 3.38, 3.50},
	}
}

func simCurveAt() []float64 {
	return []float64{0, .02, .05, .1, .2, .3, .4, .5, .6, .7, .8, .9, .95, .99, 1}
}

func newSimCell(rng *rand.Rand, ah float64) *simCell {
	between := func(a, b float64) float64 { return a + (b-a)*rng.Float64() }
	scale := 100 / ah
	c := &simCell{
		soc: between(0.3, 0.95), ah: ah, curve: simCurves()[rng.IntN(3)],
		r0: between(0.4, 1.5) * 1e-3 * scale, r1: between(0.3, 1) * 1e-3 * scale, r2: between(0.5, 2) * 1e-3 * scale,
		tau1: between(30, 200), tau2: between(1200, 6000),
		hyst: between(0.006, 0.017), hystIn: between(0.01, 0.06),
		coldR: between(0.015, 0.04), coldAh: between(0.002, 0.008), fullAt25: rng.IntN(2) == 0, soft: rng.IntN(3) == 0,
		efficiency: between(0.994, 1), selfPerHour: between(0.015, 0.03) / 720,
	}
	for k := range c.wave {
		c.wave[k] = between(-1, 1) * 0.008 / float64(k+1)
	}
	return c
}

func (c *simCell) ocv() float64 {
	at := simCurveAt()
	x := min(max(c.soc, 0), 1)
	wall := c.over * 40 // no cell takes more at once; what it is given raises its voltage
	k := 1
	for k < len(at)-1 && x > at[k] {
		k++
	}
	v := c.curve[k-1] + (c.curve[k]-c.curve[k-1])*(x-at[k-1])/(at[k]-at[k-1])
	for j, a := range c.wave {
		v += a * math.Sin(math.Pi*float64(j+1)*x+float64(j))
	}
	return v + wall
}

func (c *simCell) cold(celsius, perKelvin float64) float64 { return max(25-celsius, 0) * perKelvin }

// inner is the voltage behind the series resistance, which is the second result.
func (c *simCell) inner(celsius float64) (v, r float64) {
	return c.ocv() + c.branch*c.hyst + c.v1 + c.v2, c.r0 * math.Exp(c.cold(celsius, c.coldR))
}

// capacity is what the true charge is counted against, Ah.
func (c *simCell) capacity(celsius float64) float64 {
	if c.fullAt25 {
		return c.ah
	}
	return c.ah * (1 - min(c.cold(celsius, c.coldAh), 0.5))
}

// step lets amps flow into the cell for some seconds.
func (c *simCell) step(amps, seconds, celsius float64) {
	slow := math.Exp(c.cold(celsius, c.coldR))
	d1, d2 := math.Exp(-seconds/c.tau1), math.Exp(-seconds/c.tau2)
	c.v1 = c.v1*d1 + amps*c.r1*slow*(1-d1)
	c.v2 = c.v2*d2 + amps*c.r2*slow*(1-d2)
	moved := amps * seconds / 3600 / c.capacity(celsius)
	turn := math.Exp(-math.Abs(moved) / c.hystIn)
	if amps != 0 {
		c.branch = c.branch*turn + math.Copysign(1-turn, amps)
	}
	if moved > 0 {
		moved *= c.efficiency
	}
	c.over = max(c.over+min(moved, max(c.soc+moved-1, 0)), 0)
	if moved < 0 {
		c.over = max(c.over+moved, 0)
	}
	if c.soft {
		c.over = 0
	}
	c.soc = min(max(c.soc+moved-c.selfPerHour*seconds/3600, 0), 1)
}
