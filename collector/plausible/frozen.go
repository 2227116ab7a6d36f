package plausible

import (
	"fmt"
	"math"
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
	charge := p.get(reading.ChargeAmps)
	free, bent := math.NaN(), math.NaN()
	if !p.held() {
		free, bent = p.expected(), p.get(reading.BatteryAmps)
	}
	quantum := s.Runs[reading.BatteryVolts].Quantum
	if quantum == 0 {
		quantum = 1 // it never moved yet: nobody knows how coarse it is
	}
	return []driver{
		{reading.BatteryAmps, free, frozenAmps},
		{reading.ChargeAmps, panelAmps, frozenAmps},
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
	charging := known && reading.ChargeState(stage) != reading.Off && reading.ChargeState(stage) != reading.Bulk
	return charging || cells == 0 || math.IsNaN(volts) || volts > 3.36*cells
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
		if r.ripe() && r.Moves >= frozenMoves && r.High-r.Low >= d.needs {
			r.Frozen = true
		}
		if r.Frozen {
			x, since := r.X, r.For.Round(time.Minute)
			why := func() string { return fmt.Sprintf("it has stayed at exactly %.4g for %s while others moved", x, since) }
			out = append(out, finding{[]reading.Quantity{d.q}, Bad, why})
		}
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
		r.Low, r.High, r.By, r.Moves, r.Driven = by, by, by, 0, true
	}
	if math.Abs(by-r.By) >= 0.1 {
		r.By, r.Moves = by, r.Moves+1
	}
	r.Low, r.High = min(r.Low, by), max(r.High, by)
}
