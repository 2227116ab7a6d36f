package plausible

import (
	"fmt"
	"math"
	"slices"
	"time"

	"ebbwatch/collector/reading"
)

// The joint check asks at each poll what explains it best: that all is right, or that one
// quantity is wrong. A misfit is half a squared number of standard errors, as the logarithm of
// a probability is, and each relation's is capped, for what it leaves out does happen: a load
// that no meter sees, a meter that was read a moment later. So no relation that has an honest
// excuse convicts alone.
const (
	capPair   = 8.0 // two measures of one thing; the excuse is the moment
	capNet    = 3.0 // battery against charger and load; the excuse is what no meter sees
	capJump   = 5.0 // a current that jumped while the voltage did not
	capChance = 2.5 // a current that changed by just a power of ten, or its sign
	capNight  = 4.0 // the battery is charged in the dark; the excuse is a charger on a visit

	slipGain  = 6.0 // what a slip of a power of ten, or a reversed sign, must explain
	wildGain  = 9.5 // what any other wrong number must: it could be anything
	slipPolls = 2   // polls in a row
	wildPolls = 3
	tie       = 2.0 // explanations closer than this are not told apart
)

// Joint is what the joint check has come to. It marshals to JSON.
type Joint struct {
	Known   bool
	Quarrel quarrel // the best explanation of the last polls
	Streak  int     // polls in a row that it was the best
	Clean   int     // polls in a row that needed none
	Blamed  quarrel // what is doubted
	Since   time.Duration
	Ring    [3]point // the last polls that needed no explanation, the newest first
}

// quarrel is an explanation: which quantities may be wrong, by which factor. None is empty.
type quarrel struct {
	Who    []reading.Quantity
	Factor float64 // what they say over what is so; 0 when it is no slip
}

func (q quarrel) same(o quarrel) bool { return slices.Equal(q.Who, o.Who) && q.Factor == o.Factor }

// point is what a jump is measured from.
type point struct {
	Known              bool
	At                 time.Duration
	Volts, Battery     float64 // V, A
	Charge, Load       float64 // A
	HasCharge, HasLoad bool
}

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
		{times(reading.PanelVolts, reading.PanelAmps), get(reading.PanelWatts), 0.8, 1.25, 5,
			[]reading.Quantity{reading.PanelWatts, reading.PanelAmps, reading.PanelVolts}},
		{times(reading.LoadVolts, reading.LoadAmps), get(reading.LoadWatts), 0.85, 1.18, 3,
			[]reading.Quantity{reading.LoadWatts, reading.LoadAmps, reading.LoadVolts}},
		{chargeWatts, get(reading.PanelWatts), 0.7, 1.1, 10,
			[]reading.Quantity{reading.ChargeAmps, reading.PanelWatts}},
		{get(reading.BatteryVolts), loadVolts, 0.9, 1.15, 1, []reading.Quantity{reading.BatteryVolts, reading.LoadVolts}},
		{get(reading.BatteryVolts), otherVolts, 0.9, 1.1, 1,
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
	case math.IsNaN(load) || s.x.Known(reading.BatteryAmps) && math.IsNaN(get(&s.x, reading.LoadAmps)):
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

// misfit is how badly a poll fits together, and settled whether each quantity was held against
// another and agreed.
func (s *scene) misfit() (total float64, settled [reading.NumSite]bool) {
	for _, p := range relations() {
		a, b := p.a(s), p.b(s)
		if s.without(p.who...) || math.IsNaN(a) || math.IsNaN(b) || !p.worth(s) {
			continue
		}
		e := capped(outside(math.Log(max(a, 1e-3)/max(b, 1e-3)), math.Log(p.low), math.Log(p.high))/0.08, capPair)
		total += e
		for _, q := range p.who {
			settled[q] = settled[q] || e < 0.5
		}
	}
	return total + s.net() + s.jump() + s.night(), settled
}

// net holds the battery's current against charger and load.
func (s *scene) net() float64 {
	i, want := get(&s.x, reading.BatteryAmps), expected(&s.x, s.seen)
	if math.IsNaN(i) || math.IsNaN(want) || s.without(reading.BatteryAmps, reading.ChargeAmps, reading.LoadAmps) {
		return 0
	}
	sum := math.Abs(get(&s.x, reading.ChargeAmps)) + math.Abs(get(&s.x, reading.LoadAmps))
	return capped((i-want)/(0.15+0.05*either(sum, math.Abs(want))), capNet)
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
			moved = max(moved, math.Copysign(1, step)*(volts-p.Volts))
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
	for _, c := range []struct {
		q    reading.Quantity
		sign float64
		of   func(p point) (float64, bool)
	}{
		{reading.BatteryAmps, 1, func(p point) (float64, bool) { return p.Battery, true }},
		{reading.ChargeAmps, 1, func(p point) (float64, bool) { return p.Charge, p.HasCharge }},
		{reading.LoadAmps, -1, func(p point) (float64, bool) { return p.Load, p.HasLoad }},
	} {
		now, known := s.x.Get(c.q)
		known = known && !s.without(c.q)
		k := current{now: c.sign * now}
		for _, p := range s.before {
			x, has := c.of(p)
			known = known && has
			k.before = append(k.before, c.sign*x)
		}
		if known {
			out = append(out, k)
		}
	}
	return out
}

func outside(x, low, high float64) float64 { return max(x-high, low-x, 0) }

func capped(errors, most float64) float64 { return min(errors*errors/2, most) }

// explain finds the best explanation of a poll that does not fit together; none where all is
// well, or nothing explains enough. fits tells whether all is well.
func (s *scene) explain(own reading.Reading) (best quarrel, fits bool, settled [reading.NumSite]bool) {
	s.real = &s.x
	was, settled := s.misfit()
	if was < slipGain-1 {
		return quarrel{}, was < 1, settled
	}
	type trial struct {
		q            reading.Quantity
		factor, gain float64
	}
	var trials []trial
	top := 0.0
	for q := range reading.NumSite {
		if !own.Known(q) {
			continue
		}
		for _, f := range factors(q, s.site) {
			if gain := was - s.with(q, f); f != 0 && gain >= slipGain || gain >= wildGain {
				if f == 0 {
					gain -= wildGain - slipGain
				}
				trials, top = append(trials, trial{q, f, gain}), max(top, gain)
			}
		}
	}
	for _, t := range trials {
		if t.gain < top-tie || slices.Contains(best.Who, t.q) {
			continue
		}
		if best.Who = append(best.Who, t.q); t.gain == top || best.Factor == 0 {
			best.Factor = t.factor
		}
	}
	return best, false, settled
}

// with is the misfit were a quantity wrong by a factor; 0 leaves it out.
func (s *scene) with(q reading.Quantity, factor float64) float64 {
	o := *s
	o.real = &s.x
	if x, _ := s.x.Get(q); factor == 0 {
		o.gone = 1 << q
	} else {
		o.x.Set(q, x/factor)
	}
	m, _ := o.misfit()
	return m
}

// factors are the ways in which a quantity goes wrong; 0 stands for any other. A battery's
// voltage that its cells can have is not off by ten: it would be out of bounds.
func factors(q reading.Quantity, site Site) []float64 {
	switch q {
	case reading.BatteryVolts:
		if site.Cells > 0 {
			return nil
		}
		return []float64{10, 0.1}
	case reading.BatteryAmps:
		return []float64{-1, 10, 0.1, 100, 0.01, 0}
	case reading.PanelVolts, reading.LoadVolts:
		return []float64{10, 0.1, 0}
	case reading.PanelAmps, reading.PanelWatts, reading.ChargeAmps, reading.LoadAmps, reading.LoadWatts:
		return []float64{10, 0.1, 100, 0.01, 0}
	}
	return nil
}

// forgotten is how long a doubt lasts that nothing confirms any more.
const forgotten = 2 * time.Hour

// joint takes one poll in.
func (s *State) joint(p poll) (finding, [reading.NumSite]bool) {
	j := &s.Joint
	c := scene{x: p.all, others: p.c.Others, site: p.c.Site, dark: p.dark(), held: p.held(), ohms: s.Ohm.least(p.c.Site),
		grain: s.Runs[reading.BatteryVolts].Quantum, seen: s.Seen}
	for _, r := range j.Ring {
		if r.Known && p.at-r.At <= 10*time.Minute && p.at > r.At {
			c.before = append(c.before, r)
		}
	}
	if len(c.before) < len(j.Ring) {
		c.before = nil
	}
	best, fits, settled := c.explain(p.own)
	switch {
	case len(best.Who) == 0:
		j.Streak, j.Quarrel = 0, quarrel{}
		if fits && p.own.Known(j.Blamed.Who...) {
			j.Clean++
		}
		if j.Clean >= 3 || p.at-j.Since > forgotten {
			j.Blamed = quarrel{}
		}
		j.remember(p)
	case best.same(j.Quarrel):
		j.Streak, j.Clean = j.Streak+1, 0
	default:
		j.Quarrel, j.Streak, j.Clean = best, 1, 0
	}
	if j.Streak > 0 && j.Streak >= j.Quarrel.polls(c.held) {
		j.Blamed, j.Since = j.Quarrel, p.at
	}
	return finding{who: j.Blamed.Who, bad: len(j.Blamed.Who) > 0, why: j.Blamed.why()}, settled
}

// polls is how many in a row it takes. A charger that holds the voltage by switching shows the
// panel's volts and amperes of different instants.
func (q quarrel) polls(held bool) int {
	panel := slices.ContainsFunc(q.Who, func(q reading.Quantity) bool {
		return q == reading.PanelVolts || q == reading.PanelAmps || q == reading.PanelWatts
	})
	switch {
	case held && panel:
		return 5
	case q.Factor == 0:
		return wildPolls
	}
	return slipPolls
}

func (q quarrel) why() string {
	switch {
	case q.Factor == -1:
		return "its sign is reversed: charger and load say the opposite"
	case q.Factor != 0:
		return fmt.Sprintf("it is %g times what the others say", q.Factor)
	}
	return "it does not go together with the others"
}

// remember keeps a poll to measure jumps from.
func (j *Joint) remember(p poll) {
	v, i := get(&p.all, reading.BatteryVolts), get(&p.all, reading.BatteryAmps)
	if len(j.Blamed.Who) > 0 || math.IsNaN(v) {
		return
	}
	x := point{Known: true, At: p.at, Volts: v}
	if !math.IsNaN(i) {
		x.Battery = i
	}
	x.Charge, x.HasCharge = p.all.Get(reading.ChargeAmps)
	x.Load, x.HasLoad = p.all.Get(reading.LoadAmps)
	j.Ring = [3]point{x, j.Ring[0], j.Ring[1]}
}
