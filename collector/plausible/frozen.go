package plausible

import (
	"fmt"
	"math"
	"slices"
	"time"

	"ebbwatch/collector/reading"
)

// Run is a stretch of polls in which a value stayed exactly the same.
type Run struct {
	Known     bool
	X         float64
	For       time.Duration
	Polls     int
	Low, High float64 // of what should have moved it
	By        float64 // what it was when it last changed
	Rise      float64 // the most that it rose, and fell, since: a mean that catches up goes one way
	Fall      float64
	Moves     int     // how often it changed by a tenth of an ampere or more
	Driven    bool    // Low, High and By are known
	Quantum   float64 // smallest change ever seen; 0 before the first
	Moved     int     // changes ever seen
	Frozen    bool
}

const (
	frozenFor   = 20 * time.Minute
	frozenPolls = 20
	frozenAmps  = 2.0            // A by which others must have moved
	frozenMoves = 5              // times: one jump may be the other's fault
	zeroFor     = 12 * time.Hour // a current of nothing may last long
	leastOhms   = 0.005          // of any battery that ebbwatch is made for
)

// driver is what a quantity follows, in amperes, and what may hold it still honestly.
type driver struct {
	q     reading.Quantity
	by    float64 // NaN when there is nothing to go by
	needs float64 // by how much the driver must have moved
}

// drivers lists what must move when something else does.
func (s *State) drivers(p poll) []driver {
	panelAmps := p.get(reading.PanelWatts) / get(&p.all, reading.BatteryVolts)
	charge, paid := p.get(reading.ChargeAmps), panelAmps
	if charge == 0 && s.Seen&(1<<reading.LoadAmps) != 0 { // the controller may count only what goes into the battery
		paid = max(panelAmps-get(&p.all, reading.LoadAmps), 0)
	}
	free, bent := math.NaN(), math.NaN()
	if !p.held() {
		free, bent = expected(&p.all, s.Seen), p.get(reading.BatteryAmps)
	}
	quantum := s.Runs[reading.BatteryVolts].Quantum
	if quantum == 0 {
		quantum = 1 // it never moved yet: nobody knows how coarse it is
	}
	return []driver{
		{reading.BatteryAmps, free, frozenAmps},
		{reading.ChargeAmps, paid, frozenAmps},
		{reading.PanelWatts, either(charge, p.get(reading.PanelAmps)), frozenAmps},
		{reading.PanelAmps, either(charge, panelAmps), frozenAmps},
		{reading.BatteryVolts, bent, max(5, 3*quantum/leastOhms)},
	}
}

func either(a, b float64) float64 {
	if math.IsNaN(a) {
		return b
	}
	return a
}

// held tells whether a charger may be holding the battery's voltage: then the voltage is
// still, and the current may be nothing but rounding. Below 3.36 V a cell none does, by
// common practice for this chemistry.
func (p *poll) held() bool {
	cells := float64(p.c.Site.Cells)
	volts := get(&p.all, reading.BatteryVolts)
	stage, known := p.all.Get(reading.ChargeStage)
	if known {
		return reading.ChargeState(stage) != reading.Off && reading.ChargeState(stage) != reading.Bulk
	}
	return cells == 0 || math.IsNaN(volts) || volts > 3.36*cells
}

// frozen finds values that stay exactly the same while what drives them moves.
func (s *State) frozen(p poll) (out []finding) {
	for _, d := range s.drivers(p) {
		r := &s.Runs[d.q]
		x, known := p.own.Get(d.q)
		if !known {
			continue // a silence neither ends a run nor lengthens it
		}
		r.step(x, d.by, p)
		if r.ripe() && r.Moves >= frozenMoves && r.High-r.Low >= d.needs && min(r.Rise, r.Fall) >= d.needs/2 {
			r.Frozen = true
		}
		if r.Frozen {
			why := fmt.Sprintf("it has stayed at exactly %.4g for %s while others moved", r.X, r.For.Round(time.Minute))
			out = append(out, finding{[]reading.Quantity{d.q}, true, false, why})
		}
	}
	return append(append(out, s.noProbe(p)...), s.Still.step(p))
}

// A controller that has no probe shows noProbeCelsius for ever (common practice); no battery keeps
// that to the tenth of a degree for days.
const (
	noProbeCelsius = 25.0
	noProbeFor     = 72 * time.Hour
)

// noProbe finds a battery's temperature that is none.
func (s *State) noProbe(p poll) (out []finding) {
	x, known := p.own.Get(reading.BatteryCelsius)
	if !known {
		return nil
	}
	r := &s.Runs[reading.BatteryCelsius]
	r.step(x, math.NaN(), p)
	if r.Frozen = x == noProbeCelsius && r.Polls >= frozenPolls && r.For >= noProbeFor; r.Frozen {
		why := fmt.Sprintf("it has stayed at exactly %.1f °C for %.0f hours: no probe is connected; connect one, or leave this quantity out", x, r.For.Hours())
		out = append(out, finding{[]reading.Quantity{reading.BatteryCelsius}, true, false, why})
	}
	return out
}

// ripe tells whether the run is long enough to speak of.
func (r *Run) ripe() bool {
	limit := frozenFor
	if r.X == 0 {
		limit = zeroFor
	}
	return r.Polls >= frozenPolls && r.For >= limit
}

func (r *Run) restart(x float64) {
	r.X, r.For, r.Polls, r.Driven, r.Moves, r.Frozen, r.Known = x, 0, 0, false, 0, false, true
}

// step takes one poll in.
func (r *Run) step(x, by float64, p poll) {
	switch {
	case !r.Known:
		r.restart(x)
	case x != r.X:
		if d := math.Abs(x - r.X); r.Quantum == 0 || d < r.Quantum {
			r.Quantum = d
		}
		r.Moved++
		r.restart(x)
	case p.fresh:
		r.For += p.dt
	}
	r.Polls++
	if math.IsNaN(by) {
		return
	}
	if !r.Driven {
		r.Low, r.High, r.By, r.Moves, r.Driven, r.Rise, r.Fall = by, by, by, 0, true, 0, 0
	}
	if math.Abs(by-r.By) >= 0.1 {
		r.By, r.Moves = by, r.Moves+1
	}
	r.Low, r.High = min(r.Low, by), max(r.High, by)
	r.Rise, r.Fall = max(r.Rise, by-r.Low), max(r.Fall, r.High-by)
}

// Still watches whether anything at all of a source moves: an instrument that hangs repeats its
// last answer for ever.
type Still struct {
	Last    [reading.NumSite]float64
	Known   uint32
	For     time.Duration // since anything moved
	Polls   int
	Changes int // polls at which something moved
	// Longest is how long nothing moved so far at most, by what the node was doing.
	Longest [numModes]time.Duration
	Busy    [numModes]float64 // in how many of the polls something moves, about
	Lit     bool              // since then it was dark, or bright
	Unlit   bool
	Frozen  bool
}

// The modes of a node: how much moves depends on them.
const (
	modeDark = iota
	modeHeld // a charger holds the voltage
	modeFree
	numModes
)

const (
	stillLeast   = 3                // volts, amperes and watts that are not nothing and all stand still
	stillPolls   = 12               // in a row
	stillSoon    = 15 * time.Minute // at least
	stillUnknown = 12 * time.Hour   // while it is not known how the source behaves
	stillLearnt  = 100              // changes after which that is known
	brightAbove  = 10.0             // degrees of sun that a panel cannot miss
)

func (p *poll) mode() int {
	switch {
	case p.dark():
		return modeDark
	case p.held():
		return modeHeld
	}
	return modeFree
}

// step takes one poll in. A node whose load is off has nothing that need move in the dark: its
// battery rests. What a panel gives cannot be the same in the dark and in the light.
func (t *Still) step(p poll) finding {
	var who []reading.Quantity
	moved, panel, mode, lively := false, false, p.mode(), 0
	for q := range reading.ControllerSoC {
		x, known := p.own.Get(q)
		if !known || q == reading.LoadOn || q == reading.ChargeStage {
			continue
		}
		moved = moved || t.Known&(1<<q) != 0 && x != t.Last[q]
		t.Last[q], t.Known = x, t.Known|1<<q
		who = append(who, q)
		if x != 0 && reading.Quantities()[q].Unit != "°C" {
			lively++
		}
		panel = panel || slices.Contains([]reading.Quantity{reading.PanelVolts, reading.PanelWatts, reading.PanelAmps}, q)
	}
	switch {
	case moved:
		if !t.Frozen {
			t.Longest[mode] = max(t.Longest[mode], t.For)
			t.Busy[mode] += (1/float64(t.Polls+1) - t.Busy[mode]) / stillLearnt
		}
		*t = Still{Last: t.Last, Known: t.Known, Changes: t.Changes + 1, Longest: t.Longest, Busy: t.Busy}
	case lively >= stillLeast:
		t.Polls++
		if p.fresh {
			t.For += p.dt
		}
	}
	t.Lit, t.Unlit = t.Lit || p.c.SunElevation > brightAbove, t.Unlit || p.dark()
	limit := stillUnknown
	switch {
	case t.Busy[mode] > 0.6:
		limit = max(stillSoon, 6*t.Longest[mode])
	case t.Changes >= stillLearnt:
		limit = max(2*time.Hour, 10*t.Longest[mode])
	case mode == modeFree && p.get(reading.PanelWatts) > 4*darkWatts: // an hour of daylight is never even
		limit = time.Hour
	}
	t.Frozen = t.Frozen || lively >= stillLeast && t.Polls >= stillPolls && (t.For >= limit || panel && t.Lit && t.Unlit)
	return finding{who, t.Frozen, true, fmt.Sprintf("nothing that this instrument says has moved for %s", t.For.Round(time.Minute))}
}
