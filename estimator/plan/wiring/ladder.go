package wiring

import (
	"fmt"
	"math"
)

// Step is one rung of the way down: what is switched at which voltage of the battery under
// load. Volts 0 is a rung that is not there.
type Step struct {
	Name  string  `json:"name"`
	Volts float64 `json:"volts"`
}

// Ladder is the order in which things should end, from the top: the radio is shed, the
// board is stopped in good order, the controller takes the load off, and last of all the
// battery's own protection opens.
type Ladder struct {
	Shed, Stop, Controller, Protection float64 // V under load; 0 is not there
	Back                               float64 // V at which the controller gives the load back
	Cells                              int
}

// gap is the least distance between rungs, V a cell, and the usual range of each.
const gap = 0.05

// Check tells what is wrong with the order and the distances. Source: common practice for
// LiFePO4, scaled by the number of cells.
func (l Ladder) Check() (problems []string) {
	cells := float64(max(l.Cells, 1))
	steps := []Step{{"shedding the radio", l.Shed}, {"the clean stop", l.Stop}, {"the controller's disconnect", l.Controller}, {"the battery's protection", l.Protection}}
	var above *Step
	for i := range steps {
		s := &steps[i]
		if s.Volts == 0 {
			continue
		}
		if above != nil {
			switch d := above.Volts - s.Volts; {
			case d <= 0:
				problems = append(problems, fmt.Sprintf("%s at %.4g V does not come before %s at %.4g V", above.Name, above.Volts, s.Name, s.Volts))
			case d < gap*cells-1e-9:
				problems = append(problems, fmt.Sprintf("only %.2f V lie between %s at %.4g V and %s at %.4g V: leave %.2g V or more", d, above.Name, above.Volts, s.Name, s.Volts, gap*cells))
			}
		}
		above = s
	}
	return append(problems, l.ends(cells)...)
}

// ends looks at the lower end of the ladder by itself.
func (l Ladder) ends(cells float64) (problems []string) {
	if l.Controller == 0 {
		problems = append(problems, "nothing takes the load off before the battery's protection opens; many controllers then see no battery and do not start again, even in sun")
	}
	if l.Protection == 0 {
		problems = append(problems, "the voltage at which the battery's protection opens is not known: look it up")
	}
	if l.Controller > 0 && (l.Controller < 2.85*cells || l.Controller > 3.1*cells) {
		problems = append(problems, fmt.Sprintf("the controller's disconnect at %.4g V is outside the usual %.4g to %.4g V", l.Controller, 2.85*cells, 3.1*cells))
	}
	if l.Back > 0 && l.Back < l.Controller+0.2*cells {
		problems = append(problems, fmt.Sprintf("the load comes back at %.4g V, only %.2f V above the disconnect: it will flap; %.4g V is usual", l.Back, l.Back-l.Controller, 3.25*cells))
	}
	return problems
}

// PairVerdict is what a buried pair does.
type PairVerdict struct {
	Pair
	Amps, Ohms float64
	Drop       float64 // V
	Share      float64
	Loss       float64 // W
	Possible   bool
	WantMM2    float64 // for 5 % of drop
	NextMM2    float64 // 0 when no standard section to 35 mm² is enough
}

// Pair is a feed from a house instead of the sun: two conductors in a trench.
type Pair struct {
	Watts, Volts, Meters float64
	Cable                Cable
}

// Judge works the pair out.
func (p Pair) Judge() PairVerdict {
	r := Run{Meters: p.Meters, Cable: p.Cable, Volts: p.Volts, Watts: p.Watts, Most: 0.05}
	v := r.Judge()
	return PairVerdict{
		Pair: p, Amps: v.Current, Ohms: v.Ohms, Drop: v.Drop, Share: v.Share, Loss: v.Loss,
		Possible: !v.Collapsed && v.Share < 0.25, WantMM2: v.WantMM2, NextMM2: v.NextMM2,
	}
}

// Energy is what the pair takes from the house in a year, kWh, the loss included.
func (v PairVerdict) Energy() float64 {
	if !v.Possible {
		return math.NaN()
	}
	return (v.Watts + v.Loss) * 8.76
}
