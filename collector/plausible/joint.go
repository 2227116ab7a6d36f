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
	capPair    = 8.0 // two measures of one thing; the excuse is the moment
	capNet     = 3.0 // battery against charger and load; the excuse is what no meter sees
	capTenfold = 4.0 // the same where it is just ten times what they say
	capJump    = 5.0 // a current that jumped while the voltage did not
	capChance  = 2.5 // a current that changed by just a power of ten, or its sign
	capNight   = 4.0 // the battery is charged in the dark; the excuse is a charger on a visit

	slipGain    = 6.0 // what a slip of a power of ten, or a reversed sign, must explain
	tenfoldGain = 5.4 // what one must that charger and load say is just ten times theirs
	wildGain    = 9.5 // what any other wrong number must: it could be anything
	echoGain    = 2.5 // what the battery's current must, where it follows charger and load the wrong way round
	echoAmps    = 1.0 // A by which they must have moved meanwhile
	tie         = 2.0 // explanations closer than this are not told apart
)

// Joint is what the joint check has come to. It marshals to JSON.
type Joint struct {
	Quarrel quarrel // the best explanation of the last polls
	Began   time.Duration
	Streak  int     // polls in a row that it was the best
	Low     float64 // the battery's current as charger and load have it, since then, A
	High    float64
	Clean   int     // polls in a row that needed none
	Blamed  quarrel // what is doubted
	Since   time.Duration
	Last    point // poll
	Marks   [reading.NumSite]mark
	Ring    [3]point // the last polls that needed no explanation, the newest first
}

// quarrel is an explanation: which quantities may be wrong, by which factor. None is empty.
type quarrel struct {
	Who    []reading.Quantity
	Factor float64 // what they say over what is so; 0 when it is no slip
	Night  bool    // it rests on what flows at night
	Firm   bool    // several relations say so, and what they are held against stood still
}

func (q quarrel) same(o quarrel) bool { return slices.Equal(q.Who, o.Who) && q.Factor == o.Factor }

// point is a poll that what comes next is measured from.
type point struct {
	At    time.Duration
	Known uint32 // bit by quantity; 0 is none
	X     [reading.NumSite]float64
}

// explain finds the best explanation of a poll that does not fit together; none where all is
// well, or nothing explains enough. fits tells whether all is well.
func (s *scene) explain(own reading.Reading) (best quarrel, fits bool, settled [reading.NumSite]bool) {
	s.real = &s.x
	was, settled := s.misfit()
	if was.total() < echoGain {
		return quarrel{}, was.total() < 1, settled
	}
	type trial struct {
		q            reading.Quantity
		factor, gain float64
		firm, night  bool
	}
	var trials []trial
	top := 0.0
	for q := range reading.NumSite {
		if !own.Known(q) {
			continue
		}
		for _, f := range factors(q, s.site) {
			now := s.with(q, f)
			echo := f < 0
			if gain := was.total() - now.total(); f != 0 && gain >= slipGain || was[netAt]-now[netAt] >= tenfoldGain && gain >= tenfoldGain || gain >= wildGain || echo && was[netAt]-now[netAt] >= echoGain && gain >= echoGain {
				if f == 0 {
					gain -= wildGain - slipGain
				}
				firm := was.better(now, s.okay) > 1 || was[netAt]-now[netAt] >= tenfoldGain
				trials, top = append(trials, trial{q, f, gain, firm && s.steady(q), was[nightAt] > now[nightAt] && was[jumpAt]-now[jumpAt] < 2}), max(top, gain)
			}
		}
	}
	for _, t := range trials {
		if t.gain < top-tie || slices.Contains(best.Who, t.q) {
			continue
		}
		if best.Who = append(best.Who, t.q); t.gain == top || best.Factor == 0 {
			best.Factor, best.Firm, best.Night = t.factor, t.firm, t.night
		}
	}
	return best, false, settled
}

// better is how many relations an explanation mends. What flows at night counts where the sign of
// the current was never confirmed: else there is a charger that we are not told of.
func (c costs) better(now costs, confirmed bool) (n int) {
	for i := range c {
		if c[i]-now[i] >= 2 && !(confirmed && i == nightAt) {
			n++
		}
	}
	return n
}

// with is the misfit were a quantity wrong by a factor; 0 leaves it out.
func (s *scene) with(q reading.Quantity, factor float64) costs {
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
	if !s.Started { // another clock
		*j = Joint{Blamed: j.Blamed, Since: p.at}
	}
	j.jumps(p)
	c := s.scene(p)
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
		j.Quarrel.Firm, j.Quarrel.Night = best.Firm, best.Night
	default:
		j.Quarrel, j.Streak, j.Clean, j.Began = best, 1, 0, p.at
	}
	if x := expected(&p.all, s.Seen); !math.IsNaN(x) {
		if j.Streak == 1 {
			j.Low, j.High = x, x
		}
		j.Low, j.High = min(j.Low, x), max(j.High, x)
	}
	if j.Streak > 0 && j.Quarrel.proved(j.Streak, p.at-j.Began, c.held, j.High-j.Low) {
		j.Blamed, j.Since = j.Quarrel, p.at
	}
	return finding{who: j.Blamed.Who, bad: len(j.Blamed.Who) > 0, why: j.Blamed.why()}, settled
}

// scene makes a poll ready for the relations.
func (s *State) scene(p poll) *scene {
	c := &scene{x: p.all, others: p.c.Others, site: p.c.Site, dark: p.dark(), held: p.held(), ohms: s.Ohm.least(p.c.Site),
		grain: s.Runs[reading.BatteryVolts].Quantum, seen: s.Seen, okay: s.Ohm.Verdict == Fine || s.Net.Verdict == Fine}
	for q, m := range s.Joint.Marks {
		if m.Jumped != 0 && p.at-m.Jumped < settling {
			c.jumped |= 1 << q
		}
	}
	for _, r := range s.Joint.Ring {
		if r.Known != 0 && p.at-r.At <= 10*time.Minute && p.at > r.At {
			c.before = append(c.before, r)
		}
	}
	if len(c.before) < len(s.Joint.Ring) {
		c.before = nil
	}
	return c
}

// proved tells whether an explanation has held for long enough. Two polls will do where several
// relations agree on it, three where it could be anything; where it stands on one, a mean or a
// register that lags must have had the time to catch up. A charger that holds the voltage by
// switching shows the panel's volts and amperes of different instants.
func (q quarrel) proved(polls int, span time.Duration, held bool, swing float64) bool {
	of := func(list ...reading.Quantity) bool {
		return slices.ContainsFunc(q.Who, func(x reading.Quantity) bool { return slices.Contains(list, x) })
	}
	panel := of(reading.PanelVolts, reading.PanelAmps, reading.PanelWatts)
	switch {
	case held && panel && polls < 5:
		return false
	case q.Firm && q.Night:
		return polls >= 6 && span >= time.Minute // a wind generator on a visit may pass through that current
	case q.Firm && q.Factor != 0:
		return polls >= 2
	case q.Firm:
		return polls >= 3
	case of(reading.BatteryAmps):
		return polls >= 10 && swing >= echoAmps || q.Night && polls >= 4 && span >= 20*time.Minute
	case panel || of(reading.ChargeAmps) || q.Factor == 0:
		return polls >= 4 && span >= 10*time.Minute
	}
	return polls >= 2 && span >= time.Minute
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

// remember keeps a poll to measure from.
func (j *Joint) remember(p poll) {
	if len(j.Blamed.Who) > 0 || !p.all.Known(reading.BatteryVolts) {
		return
	}
	j.Ring = [3]point{j.Last, j.Ring[0], j.Ring[1]}
}

// settling is how long a register that is a mean, or is written now and then, may lag.
const settling = 2 * time.Minute

// mark is what a quantity was at most some minutes ago, and when it last left that far behind.
type mark struct {
	Known      bool
	X          float64
	At, Jumped time.Duration
}

// jumps notes which quantities have lately grown or shrunk by more than a half.
func (j *Joint) jumps(p poll) {
	j.Last = point{At: p.at}
	for q := range reading.NumSite {
		now, known := p.all.Get(q)
		if !known {
			continue
		}
		j.Last.X[q], j.Last.Known = now, j.Last.Known|1<<q
		m := &j.Marks[q]
		far := m.Known && max(now, m.X) > 0.3 && !(now < 1.6*m.X && m.X < 1.6*now)
		if far {
			m.Jumped = p.at
		}
		if far || !m.Known || p.at-m.At > settling {
			m.Known, m.X, m.At = true, now, p.at
		}
	}
}
