package plausible

import (
	"math"
	"slices"

	"ebbwatch/collector/reading"
)

// scene is one poll with what the relations need beside it.
type scene struct {
	x      reading.Reading  // all sources
	others reading.Reading  // the other sources alone
	real   *reading.Reading // what was read: decides which relations say anything
	gone   uint32           // quantities whose relations are left out: they could be anything
	site   Site
	dark   bool // no panel gives anything
	held   bool // a charger may be holding the voltage
	before []point
	ohms   float64 // the battery's resistance, or the least of any
	grain  float64 // of the battery's voltage, V
	seen   uint32  // quantities that there were at some time
	jumped uint32  // quantities that moved by more than a half within the last minutes
	okay   bool    // the sign of the battery's current was confirmed before
}

func (s *scene) without(qs ...reading.Quantity) bool {
	return slices.ContainsFunc(qs, func(q reading.Quantity) bool { return s.gone&(1<<q) != 0 })
}

// worth tells whether the two sides of a relation are large enough to be compared.
func (p relation) worth(s *scene) bool {
	o := *s
	o.x = *s.real
	a, b := p.a(&o), p.b(&o)
	return max(a, b) >= p.floor && min(a, b) >= p.floor/20 // false for NaN
}

// relation is one between two measures of the same thing.
type relation struct {
	a, b      func(s *scene) float64
	low, high float64 // a over b where all is well
	sd        float64 // standard error of the ratio's logarithm: light and loads change while they are read
	floor     float64 // below this, in the unit of both, nothing is said
	who       []reading.Quantity
}

// relations are those of powers and voltages. Their bands are wide: a charger loses up to a
// tenth, and what is read one register after the other is of different moments.
func relations() []relation {
	get := func(q reading.Quantity) func(s *scene) float64 {
		return func(s *scene) float64 { return get(&s.x, q) }
	}
	times := func(v, a reading.Quantity) func(s *scene) float64 {
		return func(s *scene) float64 { return get(v)(s) * get(a)(s) }
	}
	return []relation{
		{times(reading.PanelVolts, reading.PanelAmps), get(reading.PanelWatts), 0.8, 1.25, 0.25, 5,
			[]reading.Quantity{reading.PanelWatts, reading.PanelAmps, reading.PanelVolts}},
		{times(reading.LoadVolts, reading.LoadAmps), get(reading.LoadWatts), 0.85, 1.18, 0.25, 3,
			[]reading.Quantity{reading.LoadWatts, reading.LoadAmps, reading.LoadVolts}},
		{chargeWatts, get(reading.PanelWatts), 0.7, 1.1, 0.12, 10,
			[]reading.Quantity{reading.ChargeAmps, reading.PanelWatts}},
		{get(reading.BatteryVolts), loadVolts, 0.9, 1.15, 0.2, 1, []reading.Quantity{reading.BatteryVolts, reading.LoadVolts}},
		{get(reading.BatteryVolts), otherVolts, 0.9, 1.1, 0.2, 1,
			[]reading.Quantity{reading.BatteryVolts}},
	}
}

// chargeWatts is the charging power. Where it is less than the panel's, the controller may count
// only what goes into the battery: then what the load takes belongs to it.
func chargeWatts(s *scene) float64 {
	volts := get(&s.x, reading.BatteryVolts)
	watts, panel := get(&s.x, reading.ChargeAmps)*volts, get(&s.x, reading.PanelWatts)
	load := either(get(&s.x, reading.LoadWatts), get(&s.x, reading.LoadAmps)*volts)
	switch {
	case watts >= 0.7*panel:
		return watts
	case math.IsNaN(load):
		return math.NaN() // nobody knows what the load takes
	}
	return min(watts+load, max(watts, panel))
}

func otherVolts(s *scene) float64 { return get(&s.others, reading.BatteryVolts) }

// loadVolts is the voltage of a load output that is on.
func loadVolts(s *scene) float64 {
	if on, known := s.x.Get(reading.LoadOn); known && on == 0 {
		return math.NaN()
	}
	return get(&s.x, reading.LoadVolts)
}

// costs are the misfits of a poll, relation by relation.
type costs [numRelations]float64

// The relations beside the pairs, by their place among the costs.
const (
	netAt = iota + 5
	jumpAt
	nightAt
	numRelations
)

func (c costs) total() (sum float64) {
	for _, x := range c {
		sum += x
	}
	return sum
}

// misfit is how badly a poll fits together, and settled whether each quantity was held against
// another and agreed.
func (s *scene) misfit() (c costs, settled [reading.NumSite]bool) {
	for i, p := range relations() {
		a, b := p.a(s), p.b(s)
		if s.without(p.who...) || math.IsNaN(a) || math.IsNaN(b) || !p.worth(s) {
			continue
		}
		c[i] = capped(outside(math.Log(max(a, 1e-3)/max(b, 1e-3)), math.Log(p.low), math.Log(p.high))/p.sd, capPair)
		for _, q := range p.who {
			settled[q] = settled[q] || c[i] < 0.05
		}
	}
	c[netAt], c[jumpAt], c[nightAt] = s.net(), s.jump(), s.night()
	return c, settled
}

// net holds the battery's current against charger and load.
func (s *scene) net() float64 {
	i, want := get(&s.x, reading.BatteryAmps), expected(&s.x, s.seen)
	if math.IsNaN(i) || math.IsNaN(want) || s.without(reading.BatteryAmps, reading.ChargeAmps, reading.LoadAmps) {
		return 0
	}
	sum := math.Abs(get(&s.x, reading.ChargeAmps)) + math.Abs(get(&s.x, reading.LoadAmps))
	sd := 0.15 + 0.05*either(sum, math.Abs(want))
	cost := capped((i-want)/sd, capNet)
	if cost == capNet {
		cost += tenfold(i, want)
	}
	return cost
}

// tenfold is the misfit of a charging current that is just ten or a hundred times what it should be:
// a charger that no meter sees is seldom just so strong. The closer, the seldomer. Out of the battery
// flows what loads past the meters take, of any size.
func tenfold(i, want float64) float64 {
	for _, f := range []float64{10, 100} {
		near := 0.04 + 0.05/math.Min(math.Abs(want), math.Abs(i/f)) // of the ratio, by the meters' gain and zero
		if off := math.Abs(i/want/f - 1); off < near && near < 0.2 && i > 1 {
			return min(-math.Log(near), capTenfold)
		}
	}
	return 0
}

// night is what speaks against a battery that is charged in the dark.
func (s *scene) night() float64 {
	if i := get(&s.x, reading.BatteryAmps); s.dark && i > darkAmps && !s.without(reading.BatteryAmps) {
		return capNight
	}
	return 0
}

// jump is the misfit of currents that jumped while the voltage hardly moved. A charger that
// holds the voltage makes up for any jump, so it says nothing then.
func (s *scene) jump() float64 {
	volts := get(&s.x, reading.BatteryVolts)
	if s.held || math.IsNaN(volts) || len(s.before) == 0 {
		return 0
	}
	worst := 0.0
	for _, c := range s.currents() {
		last := c.before[0]
		step := c.now - last
		steady := !slices.ContainsFunc(c.before, func(x float64) bool { return math.Abs(x-last) > 0.3*math.Abs(step) })
		need := 0.35 * s.ohms * math.Abs(step)
		if grain := max(s.grain, 0.005); !steady || need < 1.5*grain {
			continue
		}
		moved := math.Inf(-1)
		for _, p := range s.before {
			moved = max(moved, math.Copysign(1, step)*(volts-p.X[reading.BatteryVolts]))
		}
		worst = max(worst, capped(max(need-moved, 0)/(0.5*max(s.grain, 0.005)), capJump)+chance(c.now/last))
	}
	return worst
}

// chance is the misfit of a current that changed just by a power of ten or its sign: few changes do.
func chance(ratio float64) float64 {
	for _, f := range []float64{-1, 10, 0.1, 100, 0.01} {
		if math.Abs(ratio/f-1) < 0.03 {
			return capChance
		}
	}
	return 0
}

// current is one current into the battery, now and at the last polls.
type current struct {
	now    float64
	before []float64
}

func (s *scene) currents() (out []current) {
	for q, sign := range map[reading.Quantity]float64{reading.BatteryAmps: 1, reading.ChargeAmps: 1, reading.LoadAmps: -1} {
		now, known := s.x.Get(q)
		k := current{now: sign * now}
		for _, p := range s.before {
			known = known && p.Known&(1<<q) != 0
			k.before = append(k.before, sign*p.X[q])
		}
		if known && !s.without(q) {
			out = append(out, k)
		}
	}
	return out
}

// steady tells whether what a quantity is held against has not jumped of late: what lags behind a
// cloud, or is a mean, is told from what is wrong by that.
func (s *scene) steady(q reading.Quantity) bool {
	for _, group := range [][]reading.Quantity{
		{reading.PanelWatts, reading.PanelAmps, reading.PanelVolts, reading.ChargeAmps},
		{reading.LoadWatts, reading.LoadAmps, reading.LoadVolts},
	} {
		for _, other := range group {
			if slices.Contains(group, q) && other != q && s.jumped&(1<<other) != 0 {
				return false
			}
		}
	}
	return true
}

func outside(x, low, high float64) float64 { return max(x-high, low-x, 0) }

func capped(errors, most float64) float64 { return min(errors*errors/2, most) }
