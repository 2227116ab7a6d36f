package sim

import (
	"math"
	"time"
)

// Battery is the LiFePO4 battery.
type Battery struct {
	CapacityAh    float64       // what it truly holds at 25 °C
	LabelAh       float64       // what its label says; CapacityAh
	Series        int           // cells in series; 4
	StartSoC      float64       // 0.7
	MilliOhms     float64       // ohmic part, whole battery, 25 °C; 1 mΩ a cell at 100 Ah, and 4 mΩ of wire
	Efficiency    float64       // share of the charge that stays; 0.997
	SelfDischarge float64       // share lost a month; 0.02
	Branch        float64       // half the gap between charge and discharge branch, V a cell; 0.012
	ColdLoss      float64       // share of capacity lost per kelvin below 25 °C; 0.007
	Cold          Cold          // what becomes of the charge that cold makes unusable
	HeatLag       time.Duration // time constant of the battery's temperature behind its box; 5 h
	SunHeat       float64       // how much the full sun warms the box above the air, K; 4
}

// Cold says how cold takes capacity away. What little is published disagrees, so both are
// offered.
type Cold uint8

// The ways of cold.
const (
	ColdHides   Cold = iota // a share at the bottom cannot be got out until it is warm again
	ColdShrinks             // the ratio stays and the whole scale shrinks
)

func (b Battery) withDefaults() Battery {
	b.CapacityAh = or(b.CapacityAh, 100)
	b.LabelAh = or(b.LabelAh, b.CapacityAh)
	if b.Series == 0 {
		b.Series = 4
	}
	b.StartSoC = or(b.StartSoC, 0.7)
	b.MilliOhms = or(b.MilliOhms, float64(b.Series)*100/b.CapacityAh+4)
	b.Efficiency = or(b.Efficiency, 0.997)
	b.SelfDischarge = or(b.SelfDischarge, 0.02)
	b.Branch = or(b.Branch, 0.012)
	b.ColdLoss = or(b.ColdLoss, 0.007)
	if b.HeatLag == 0 {
		b.HeatLag = 5 * time.Hour
	}
	b.SunHeat = or(b.SunHeat, 4)
	return b
}

// cells is the state of the battery.
type cells struct {
	spec    Battery
	rest    []float64 // open-circuit volts of one cell, evenly spaced in soc
	soc     float64
	branch  float64 // -1 discharge branch … 1 charge branch
	v1, v2  float64 // quick and slow relaxation, V of the whole battery
	celsius float64
	box     float64
	open    bool // the protection circuit has opened
	// The resistances at the present temperature and charge, refreshed each step.
	r0, r1, r2, keep1, keep2 float64
	usable                   float64
}

func newCells(b Battery, air float64) cells {
	return cells{spec: b, rest: restTable(), soc: b.StartSoC, celsius: air, box: air, usable: b.share(air)}
}

// share is the part of the capacity at 25 °C that can be used at a temperature.
func (b Battery) share(celsius float64) float64 {
	return min(max(1-b.ColdLoss*(25-celsius), 0.3), 1.02)
}

func (c *cells) usableAh() float64 { return c.spec.CapacityAh * c.usable }

// Relaxation times, s. Of the order seen on cells after a current step.
const (
	quick = 40.0
	slow  = 1500.0
)

// prepare works out the resistances for a step. They grow by 3 % per kelvin of cold and
// towards empty.
func (c *cells) prepare(sec float64) {
	r := c.spec.MilliOhms / 1000 * math.Exp(0.03*(25-min(c.celsius, 40)))
	r *= 1 + 1.5*math.Exp(-max(c.soc, 0)/0.06)
	c.r0, c.r1, c.r2 = r, 0.6*r, 1.1*r
	c.keep1, c.keep2 = math.Exp(-sec/quick), math.Exp(-sec/slow)
}

// volts is the terminal voltage at the end of a step with a steady current.
func (c *cells) volts(amps, sec float64) float64 {
	soc, branch := c.socAfter(amps, sec), c.branchAfter(amps, sec)
	n := float64(c.spec.Series)
	return n*(c.restAt(soc)+c.spec.Branch*branch) + amps*c.r0 +
		c.v1*c.keep1 + amps*c.r1*(1-c.keep1) + c.v2*c.keep2 + amps*c.r2*(1-c.keep2)
}

func (c *cells) socAfter(amps, sec float64) float64 {
	if amps > 0 {
		amps *= c.spec.Efficiency
	}
	return c.soc + amps*sec/3600/c.usableAh()
}

// branchAfter moves to the branch of the current's sign within about 4 % of the capacity.
func (c *cells) branchAfter(amps, sec float64) float64 {
	keep := math.Exp(-math.Abs(amps) * sec / 3600 / c.usableAh() / 0.04)
	return c.branch*keep + math.Copysign(1-keep, amps)
}

// flow passes a current for a step.
func (c *cells) flow(amps, sec float64) {
	soc, branch := c.socAfter(amps, sec), c.branchAfter(amps, sec)
	if amps != 0 {
		c.branch = branch
	}
	c.v1 = c.v1*c.keep1 + amps*c.r1*(1-c.keep1)
	c.v2 = c.v2*c.keep2 + amps*c.r2*(1-c.keep2)
	lost := c.spec.SelfDischarge * sec / (30 * 86400)
	c.soc = min(max(soc-lost*max(soc, 0), 0), 1)
}

// warm follows the temperature of the box, which follows the air and the sun.
func (c *cells) warm(air, poa, amps, sec float64) {
	lag := c.spec.HeatLag.Seconds()
	c.box += (air + c.spec.SunHeat*poa/1000 - c.box) * (1 - math.Exp(-sec/3600))
	heat := amps * amps * (c.r0 + c.r1 + c.r2) * 0.5 // about half a kelvin a watt
	c.celsius += (c.box + heat - c.celsius) * (1 - math.Exp(-sec/lag))
	was := c.usable
	c.usable = c.spec.share(c.celsius)
	if c.spec.Cold == ColdHides {
		// What is short of full stays the same in ampere-hours.
		c.soc = min(max(1-(1-c.soc)*was/c.usable, 0), 1)
	}
}

func (c *cells) restAt(soc float64) float64 {
	last := len(c.rest) - 1
	pos := soc * float64(last)
	i := min(max(int(pos), 0), last-1)
	return c.rest[i] + (c.rest[i+1]-c.rest[i])*(pos-float64(i)) // beyond either end: straight on
}

// restPoints are open-circuit volts of one LiFePO4 cell at 25 °C by charge: the LFP|graphite
// example of the open BPX battery parameter exchange, evaluated.
func restPoints() (soc, volts []float64) {
	return []float64{0, .02, .05, .10, .20, .30, .40, .50, .60, .70, .80, .90, .95, .99, 1},
		[]float64{2.000, 2.948, 3.137, 3.188, 3.230, 3.267, 3.275, 3.278, 3.286, 3.306, 3.318, 3.322, 3.323, 3.334, 3.649}
}

// restTable draws a smooth rising curve through the points (Fritsch and Carlson, 1980).
func restTable() []float64 {
	x, y := restPoints()
	slope := monotone(x, y)
	table := make([]float64, 1001)
	k := 0
	for i := range table {
		at := float64(i) / float64(len(table)-1)
		for k < len(x)-2 && at > x[k+1] {
			k++
		}
		h := x[k+1] - x[k]
		s := (at - x[k]) / h
		table[i] = y[k]*(1+2*s)*(1-s)*(1-s) + slope[k]*h*s*(1-s)*(1-s) +
			y[k+1]*s*s*(3-2*s) + slope[k+1]*h*s*s*(s-1)
	}
	return table
}

// monotone gives slopes for which the cubic through the points never turns back.
func monotone(x, y []float64) []float64 {
	n := len(x)
	d := make([]float64, n-1)
	for i := range d {
		d[i] = (y[i+1] - y[i]) / (x[i+1] - x[i])
	}
	slope := make([]float64, n)
	slope[0], slope[n-1] = d[0], d[n-2]
	for i := 1; i < n-1; i++ {
		if d[i-1]*d[i] > 0 {
			slope[i] = 2 * d[i-1] * d[i] / (d[i-1] + d[i]) // harmonic mean: within the limit
		}
	}
	return slope
}
