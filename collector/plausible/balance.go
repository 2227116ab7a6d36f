package plausible

import (
	"fmt"
	"math"

	"ebbwatch/collector/reading"
)

// The pairs of powers that belong together.
const (
	pairPanel  = iota // panel watts against panel volts times amperes
	pairLoad          // load watts against load volts times amperes
	pairCharge        // charging power against panel watts
	numPairs
)

// How an imbalance is proved.
const (
	memory  = 60 // polls that a mean reaches back
	least   = 30 // polls before there is an opinion
	lasting = 30 // polls that an opinion must last
	sigmas  = 4  // standard errors from the limit
)

// Pair holds two powers against each other: means over some sixty polls, because meters
// that are read one after the other, or amid the switching of a charger, agree only on
// average. High is the mean of what one exceeds its upper limit by, Low likewise below.
type Pair struct {
	N, A, B     float64 // effective number of polls; mean powers, W
	High, High2 float64 // mean of the excess above, and of its square
	Low, Low2   float64
	Verdict     Verdict
	Streak      int // polls for which the opinion has been another than the verdict
	Opinion     Verdict
	Ratio       float64 // when it was judged
	LowKnown    bool
	Shaken      bool // there is power, and the opinion is not fine
}

// nothing is the power below which a poll is not counted, W: the night must not wipe out
// what the day has shown.
const nothing = 1

// limits of a pair: a must lie between low·b − under and high·b + over, watts. Nothing is
// said while both means are below the least. (Single polls are not sorted out by that: of a
// switching charger one would keep the moments when it is on.)
type limits struct{ low, under, high, over, least float64 }

// pairs judges the powers.
func (s *State) pairs(p poll) []finding {
	panel := s.Pairs[pairPanel].step(p.get(reading.PanelVolts)*p.get(reading.PanelAmps), p.get(reading.PanelWatts),
		// Means of volts and of amperes multiplied are not the mean power while a switching
		// charger holds back: up to open-circuit over battery voltage apart.
		limits{0.5, 3, 2.2, 3, 5})
	load := s.Pairs[pairLoad].step(p.get(reading.LoadVolts)*p.get(reading.LoadAmps), p.get(reading.LoadWatts), limits{0.75, 2, 1.33, 2, 4})
	charge := s.Pairs[pairCharge].step(p.charge())
	return []finding{
		{[]reading.Quantity{reading.PanelWatts, reading.PanelAmps, reading.PanelVolts}, panel, s.Pairs[pairPanel].why("panel volts times amperes", "panel watts")},
		{[]reading.Quantity{reading.LoadWatts, reading.LoadAmps, reading.LoadVolts}, load, s.Pairs[pairLoad].why("load volts times amperes", "load watts")},
		{[]reading.Quantity{reading.ChargeAmps, reading.PanelWatts, reading.BatteryVolts}, charge, s.Pairs[pairCharge].why("charging power", "panel watts")},
	}
}

// charge is the charging power against the panel's. It cannot be more; it can be less by
// what the load takes, where a controller counts only what goes into the battery.
func (p *poll) charge() (a, b float64, l limits) {
	a = p.get(reading.ChargeAmps) * get(&p.all, reading.BatteryVolts)
	b = p.get(reading.PanelWatts)
	load := get(&p.all, reading.LoadWatts)
	if math.IsNaN(load) {
		load = get(&p.all, reading.LoadAmps) * get(&p.all, reading.BatteryVolts)
	}
	if math.IsNaN(load) {
		return a, b, limits{math.Inf(-1), 0, 1.25, 3, 5}
	}
	return a, b, limits{0.6, 3 + load, 1.25, 3, 5}
}

// step takes one poll in.
func (k *Pair) step(a, b float64, l limits) Verdict {
	if math.IsNaN(a) || math.IsNaN(b) || max(math.Abs(a), math.Abs(b)) < nothing {
		return k.verdict()
	}
	k.N = k.N*(1-1.0/memory) + 1
	w := 1 / k.N
	mean := func(m *float64, x float64) { *m += w * (x - *m) }
	above, below := a-l.high*b-l.over, 0.0
	if k.LowKnown = !math.IsInf(l.low, -1); k.LowKnown {
		below = l.low*b - l.under - a
	}
	mean(&k.A, a)
	mean(&k.B, b)
	mean(&k.High, above)
	mean(&k.High2, above*above)
	mean(&k.Low, below)
	mean(&k.Low2, below*below)
	opinion, enough := k.opinion(), max(math.Abs(k.A), math.Abs(k.B)) >= l.least
	if !enough {
		opinion = Unknown
	}
	k.Shaken = enough && opinion != Fine
	if opinion != k.Opinion {
		k.Opinion, k.Streak = opinion, 0
	}
	if k.Streak++; k.Streak >= lasting && opinion != Unknown {
		k.Verdict, k.Ratio = opinion, k.A/notZero(k.B)
	}
	return k.verdict()
}

// verdict does not speak for a value while doubts are growing.
func (k *Pair) verdict() Verdict {
	if k.Verdict == Fine && k.Shaken {
		return Unknown
	}
	return k.Verdict
}

// notZero keeps a ratio finite, so that the state can be stored.
func notZero(x float64) float64 {
	if math.Abs(x) < 1e-9 {
		return 1e-9
	}
	return x
}

// opinion weighs the means against their own scatter.
func (k *Pair) opinion() Verdict {
	far := func(mean, square float64) bool {
		return mean > sigmas*math.Sqrt(max(square-mean*mean, 0)/k.N)
	}
	switch {
	case k.N < least:
		return Unknown
	case far(k.High, k.High2), k.LowKnown && far(k.Low, k.Low2):
		return Bad
	case k.High < 0 && (!k.LowKnown || k.Low < 0):
		return Fine
	}
	return Unknown
}

// why says how far apart two powers are.
func (k *Pair) why(a, b string) func() string {
	ratio := k.Ratio
	return func() string { return fmt.Sprintf("%s: %s %s", a, times(ratio), b) }
}

// times words a ratio.
func times(ratio float64) string {
	if math.IsNaN(ratio) || math.Abs(ratio) > 1e6 || math.Abs(ratio) < 1e-6 {
		return "nothing like"
	}
	if power := math.Log10(math.Abs(ratio)); ratio > 0 && math.Abs(power-math.Round(power)) < 0.1 && math.Round(power) != 0 {
		return fmt.Sprintf("about %g times", math.Pow(10, math.Round(power)))
	}
	return fmt.Sprintf("%.2g times", ratio)
}

// Count counts polls of one opinion in a row.
type Count struct {
	Verdict Verdict
	Opinion Verdict
	Streak  int
	Ratio   float64
}

// settle takes an opinion in; after n in a row it is the verdict.
func (k *Count) settle(opinion Verdict, n int) {
	if opinion == Unknown {
		return
	}
	if opinion != k.Opinion {
		k.Opinion, k.Streak = opinion, 0
	}
	if k.Streak++; k.Streak >= n {
		k.Verdict = opinion
	}
}

// volts holds the battery's voltage against that of the load output, or another source's:
// they need not be the same, but a power of ten between them is a slip.
func (s *State) volts(p poll) finding {
	own, load, other := p.get(reading.BatteryVolts), p.get(reading.LoadVolts), get(&p.c.Others, reading.BatteryVolts)
	f := finding{who: []reading.Quantity{reading.BatteryVolts, reading.LoadVolts}}
	against, name := load, "the load's"
	if on, known := p.own.Get(reading.LoadOn); math.IsNaN(load) || load < 1 || known && on == 0 {
		f.who, against, name = f.who[:1], other, "another source's"
	}
	if ratio := own / against; own > 0.1 && against > 0.1 { // false for NaN
		power := math.Log10(ratio)
		slip := math.Round(power) != 0 && math.Abs(power-math.Round(power)) < 0.06
		opinion := Fine
		if slip {
			opinion, s.Volts.Ratio = Bad, ratio
		}
		s.Volts.settle(opinion, 10)
	}
	ratio := s.Volts.Ratio
	f.verdict, f.why = s.Volts.Verdict, func() string { return fmt.Sprintf("the battery's voltage is %s %s", times(ratio), name) }
	return f
}
