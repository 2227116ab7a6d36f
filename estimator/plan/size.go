package plan

import (
	"cmp"
	"math"
	"slices"
)

// Prices are the owner's; 0 is not known.
type Prices struct {
	PanelWatt  float64 // for each W of panel
	BatteryAh  float64 // for each Ah of the battery
	TrenchM    float64 // for each metre of trench with the cable in it
	Controller float64 // for a maximum-power charger
}

// Pair is a panel and the smallest battery that reach the target together.
type Pair struct {
	Watts float64 `json:"watts_peak"`
	Ah    float64 `json:"capacity_ah"`
	LLP   float64 `json:"loss_of_load"`
	Cost  float64 `json:"cost"` // of the whole pair; 0 when the prices are not known
	Best  bool    `json:"cheapest"`
}

// panels are the sizes that are tried, against the kit's.
func panels() [11]float64 {
	return [11]float64{0.35, 0.5, 0.7, 1, 1.4, 2, 2.8, 4, 5.6, 8, 11}
}

// Frontier finds for each size of panel the smallest battery that reaches the target;
// panels that none does are left out, and so is what needs more of both than another. With
// prices the cheapest is marked; without them the one nearest to the kit. base is what else is
// changed. progress is called after each size, and may be nil.
func (y *Year) Frontier(years []Winter, base Try, p Prices, progress func(done, of int)) []Pair {
	var out []Pair
	sizes := panels()
	last := math.Inf(1)
	for i, scale := range sizes {
		watts := roundUp(y.kit.Site.WattsPeak*scale, 10)
		t := base
		t.Panel = watts / y.kit.Site.WattsPeak
		if ah, llp, ok := y.smallest(years, t, last); ok && ah < last {
			out = append(out, Pair{Watts: watts, Ah: ah, LLP: llp, Cost: watts*p.PanelWatt + ah*p.BatteryAh})
			last = ah
		}
		if progress != nil {
			progress(i+1, len(sizes))
		}
	}
	y.mark(out, p)
	return out
}

func roundUp(x, step float64) float64 { return math.Ceil(x/step-1e-9) * step }

// smallest finds the smallest battery for a panel, Ah; false when thirty days of load are
// not enough. Below is what a smaller panel needs: a larger one does not need more.
func (y *Year) smallest(years []Winter, t Try, below float64) (ah, llp float64, ok bool) {
	own := y.kit.Battery.CapacityAh
	volts := 3.25 * float64(max(y.kit.Battery.Cells, 1))
	// What the panel charges with is not to be more than the battery takes.
	least := max(min(own, 0.25*24*y.kit.Load.Mean()/volts), y.kit.LeastAh(or1(t.Panel)*y.kit.Site.WattsPeak))
	most := max(2*own, 30*24*y.kit.Load.Mean()/volts, 2*least)
	over := func(x float64) float64 {
		t.Battery = x / own
		return -y.over(years, t)
	}
	most = min(most, max(below, 2*least))
	atMost := over(most)
	if atMost < 0 {
		return 0, 0, false
	}
	step := 5.0
	if least < 20 {
		step = 1
	}
	high := least
	if atLeast := over(least); atLeast < 0 {
		_, high = cross(least, most, atLeast, atMost, 0.02, over)
	}
	ah = roundUp(high, step)
	t.Battery = ah / own
	return ah, y.LLP(years, t), true
}

// chargeRate is the largest charge current against the capacity that is planned with, 1/h:
// makers of LiFePO4 name 0.5 for charging that is to last (common practice).
const chargeRate = 0.5

// LeastAh is the smallest battery that may take what a panel gives at its best, Ah.
func (k *Kit) LeastAh(watts float64) float64 {
	const reaches = 0.88 // of the label, as everywhere in a plan
	return reaches * watts / (3.25 * float64(max(k.Battery.Cells, 1))) / chargeRate
}

func (y *Year) mark(pairs []Pair, p Prices) {
	if len(pairs) == 0 {
		return
	}
	by := func(a Pair) float64 {
		if p.PanelWatt > 0 && p.BatteryAh > 0 {
			return a.Cost
		}
		return math.Hypot(max(0, math.Log(a.Watts/y.kit.Site.WattsPeak)), max(0, math.Log(a.Ah/y.kit.Battery.CapacityAh)))
	}
	best := slices.MinFunc(pairs, func(a, b Pair) int { return cmp.Compare(by(a), by(b)) })
	for i := range pairs {
		pairs[i].Best = pairs[i] == best
	}
}
