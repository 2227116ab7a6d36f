package survey

import (
	"fmt"
	"math"

	"ebbwatch/collector/reading"
)

// Kick is a known change that the owner makes at the node.
type Kick struct {
	What  KickKind
	Watts float64   // of the load, or of the panels by their label; 0 when that is not known
	Hangs LoadPlace // where the load hangs
}

// KickKind says what was changed.
type KickKind string

// The kinds of kick.
const (
	LoadOn         KickKind = "load on"
	LoadOff        KickKind = "load off"
	PanelCovered   KickKind = "panel covered"
	PanelUncovered KickKind = "panel uncovered"
)

// LoadPlace says where a load is connected.
type LoadPlace string

// The places of a load.
const (
	AtOutput  LoadPlace = "load output" // of the controller
	AtBattery LoadPlace = "battery"     // to its posts, past the controller
)

// Proof is what a kick says of one quantity of a map.
type Proof string

// The proofs.
const (
	Confirmed    Proof = "confirmed"
	Contradicted Proof = "contradicted"
	NotSeen      Proof = "not seen"
)

// KickVerdict is the outcome for one quantity.
type KickVerdict struct {
	Quantity      reading.Quantity
	Proof         Proof
	Before, After float64 // means
	Expected      float64 // change that was expected; NaN when only its sign or nothing was
	Why           string
}

// String is one line for people.
func (v KickVerdict) String() string {
	unit := reading.Quantities()[v.Quantity].Unit
	return fmt.Sprintf("%s: %s: %.4g → %.4g %s: %s", v.Quantity, v.Proof, v.Before, v.After, unit, v.Why)
}

// KickResult is what one kick showed.
type KickResult struct {
	Kick     Kick
	Verdicts []KickVerdict // in the order of the quantities
	// Bypass tells that the load moved no current that is measured: it leaves the battery
	// past the meters, and what is counted will be wrong by it.
	Bypass bool
	Notes  []string
}

// Sample is what was read at one moment.
type Sample map[reading.Quantity]float64

// moved is how a quantity changed between two rows of samples.
type moved struct {
	before, after float64
	noise         float64 // standard error of the change
}

func (m moved) change() float64 { return m.after - m.before }

// clearly tells whether it changed beyond its noise.
func (m moved) clearly() bool { return math.Abs(m.change()) > 4*m.noise }

// Judge compares samples taken before and after a kick with what the kick must do. It
// confirms only what moved by about the right amount in the right direction, and contradicts
// only what cannot be right; what the kick says nothing about is not seen, nor is that of which
// it shows the direction alone: a number ten times too large moves the right way as well.
func Judge(k Kick, before, after []Sample) KickResult {
	j := judge{kick: k, seen: map[reading.Quantity]moved{}}
	for q := range reading.NumSite {
		if m, known := movement(q, before, after); known {
			j.seen[q] = m
		}
	}
	r := KickResult{Kick: k}
	for q := range reading.NumSite {
		if _, known := j.seen[q]; known {
			r.Verdicts = append(r.Verdicts, j.one(q))
		}
	}
	j.paths(&r)
	return r
}

// movement takes the means, and their error from the spread. A spread of nothing comes from
// coarse steps, so a least noise is assumed.
func movement(q reading.Quantity, before, after []Sample) (moved, bool) {
	a, sa, na := mean(q, before)
	b, sb, nb := mean(q, after)
	if na == 0 || nb == 0 {
		return moved{}, false
	}
	least := map[string]float64{"V": 0.01, "A": 0.01, "W": 0.2, "°C": 0.2}[reading.Quantities()[q].Unit]
	noise := math.Sqrt(sa*sa/float64(na) + sb*sb/float64(nb))
	return moved{a, b, max(noise, least/2)}, true
}

func mean(q reading.Quantity, samples []Sample) (m, sd float64, n int) {
	sum, squares := 0.0, 0.0
	for _, s := range samples {
		if x, known := s[q]; known {
			sum, squares, n = sum+x, squares+x*x, n+1
		}
	}
	if n == 0 {
		return 0, 0, 0
	}
	m = sum / float64(n)
	return m, math.Sqrt(max(squares/float64(n)-m*m, 0)), n
}

// judge is one kick under judgement.
type judge struct {
	kick Kick
	seen map[reading.Quantity]moved
}

// volts is the battery's voltage, as far as it is known.
func (j judge) volts() float64 {
	for _, q := range []reading.Quantity{reading.BatteryVolts, reading.LoadVolts} {
		if m, known := j.seen[q]; known && m.before > 8 && m.before < 70 {
			return m.before
		}
	}
	return 12.8
}

// load is the change of the load's power, W.
func (j judge) load() float64 {
	switch j.kick.What {
	case LoadOn:
		return j.kick.Watts
	case LoadOff:
		return -j.kick.Watts
	}
	return 0
}

// one judges one quantity.
func (j judge) one(q reading.Quantity) KickVerdict {
	m := j.seen[q]
	v := KickVerdict{Quantity: q, Before: m.before, After: m.after, Expected: math.NaN()}
	if j.load() != 0 {
		j.loadKick(q, m, &v)
	} else {
		j.panelKick(q, m, &v)
	}
	return v
}

// loadKick judges a switched load.
func (j judge) loadKick(q reading.Quantity, m moved, v *KickVerdict) {
	watts, amps := j.load(), j.load()/j.volts()
	out := j.kick.Hangs == AtOutput
	switch q {
	case reading.LoadWatts:
		v.amount(m, pick(out, watts))
	case reading.LoadAmps:
		v.amount(m, pick(out, amps))
	case reading.BatteryAmps:
		j.batteryLoad(m, amps, v)
	case reading.BatteryVolts:
		v.sag(m, -amps)
	case reading.LoadVolts:
		if out {
			v.none("a switched load says little of it")
		} else {
			v.sag(m, -amps)
		}
	default:
		v.none("a load does not show in it")
	}
}

func pick(is bool, x float64) float64 {
	if is {
		return x
	}
	return 0
}

// batteryLoad judges the battery's current. The charger may make up for the load, so what it
// gives more counts; where that is not known, anything between all and nothing is possible
// while the panel gives something.
func (j judge) batteryLoad(m moved, amps float64, v *KickVerdict) {
	charge, known := j.seen[reading.ChargeAmps]
	switch {
	case known:
		v.amount(m, charge.change()-amps)
	case j.dark():
		v.amount(m, -amps)
	case math.Abs(m.change()) > 1.33*math.Abs(amps)+4*m.noise, math.Abs(m.change()+amps) <= 0.33*math.Abs(amps)+4*m.noise:
		v.amount(m, -amps)
	default:
		v.direction(m, -amps, "the charger may have made up for the rest of the load")
	}
}

// dark tells whether the panel is known to give nothing.
func (j judge) dark() bool {
	for _, q := range []reading.Quantity{reading.PanelWatts, reading.PanelAmps, reading.ChargeAmps} {
		if m, known := j.seen[q]; known {
			return m.before < 0.1 && m.after < 0.1
		}
	}
	return false
}

// amount judges a change whose size is known, to a third: labels and meters are no better.
// An expected change of nothing confirms nothing, and is contradicted by a clear one.
func (v *KickVerdict) amount(m moved, expected float64) {
	v.Expected = expected
	change := m.change()
	slack := 0.33*math.Abs(expected) + 4*m.noise
	switch {
	case math.Abs(expected) <= 6*m.noise && math.Abs(change) <= slack+0.1*math.Abs(m.before):
		v.none("the change is too small to tell")
	case math.Abs(change-expected) <= slack:
		v.Proof, v.Why = Confirmed, fmt.Sprintf("moved by %+.3g, expected %+.3g", change, expected)
	case !m.clearly():
		v.Proof, v.Why = Contradicted, fmt.Sprintf("did not move, expected %+.3g", expected)
	case change*expected < 0:
		v.Proof, v.Why = Contradicted, fmt.Sprintf("moved by %+.3g, expected %+.3g: the sign is wrong", change, expected)
	default:
		v.Proof, v.Why = Contradicted, fmt.Sprintf("moved by %+.3g, expected %+.3g%s", change, expected, slip(change/expected))
	}
}

// slip names a wrong scale by what it looks like.
func slip(ratio float64) string {
	for _, by := range []float64{10, 100, 1000} {
		if math.Abs(ratio/by-1) < 0.35 {
			return fmt.Sprintf(": %g times too much, the scale is wrong", by)
		}
		if math.Abs(ratio*by-1) < 0.35 {
			return fmt.Sprintf(": %g times too little, the scale is wrong", by)
		}
	}
	return ""
}

// sign judges the direction of a change.
func (v *KickVerdict) sign(m moved, way float64) {
	switch {
	case !m.clearly():
		v.none("it hardly moved")
	case m.change()*way > 0:
		v.Proof, v.Why = Confirmed, fmt.Sprintf("moved by %+.3g, the right way", m.change())
	default:
		v.Proof, v.Why = Contradicted, fmt.Sprintf("moved by %+.3g, the wrong way", m.change())
	}
}

// never confirms nothing, but minds the wrong way.
func (v *KickVerdict) never(m moved, way float64, why string) {
	if v.sign(m, way); v.Proof == Confirmed {
		v.none(why)
	}
}

func (v *KickVerdict) none(why string) { v.Proof, v.Why = NotSeen, why }

// paths tells whether the load passed the meters by. Where the load hangs at the output and
// neither current moved, map and wiring are both in doubt; where it hangs at the battery, a
// battery current that stands still is not wrong: it does not see the load.
func (j judge) paths(r *KickResult) {
	amps := j.load() / j.volts()
	if amps == 0 {
		return
	}
	battery, hasBattery := j.still(reading.BatteryAmps, amps)
	load, hasLoad := j.still(reading.LoadAmps, amps)
	if !hasLoad {
		load, hasLoad = j.still(reading.LoadWatts, j.load())
	}
	if !hasBattery && !hasLoad || hasBattery && !battery || hasLoad && !load {
		return
	}
	r.Bypass = true
	note := fmt.Sprintf("the load of %.3g W moves no current that is measured: it leaves the battery past the meters", j.kick.Watts)
	if j.kick.Hangs == AtOutput {
		note += ", or it does not hang at the load output after all"
	}
	r.Notes = append(r.Notes, note)
	for i := range r.Verdicts {
		v := &r.Verdicts[i]
		if v.Quantity == reading.BatteryAmps && j.kick.Hangs == AtBattery && v.Proof == Contradicted {
			v.none("this load passes it by")
		}
	}
}

// still tells whether a quantity is known, and moved by less than a third of a change in
// either direction beyond what the charger did.
func (j judge) still(q reading.Quantity, change float64) (still, known bool) {
	m, known := j.seen[q]
	if !known || 3*math.Abs(change) < 12*m.noise {
		return false, false
	}
	moved := m.change()
	if charge, has := j.seen[reading.ChargeAmps]; has && q == reading.BatteryAmps {
		moved -= charge.change()
	}
	return math.Abs(moved) < math.Abs(change)/3, true
}

// Sum joins the results of several kicks: what one contradicted is contradicted, what one
// confirmed and none contradicted is confirmed.
func Sum(results []KickResult) []KickVerdict {
	rank := func(p Proof) int {
		return map[Proof]int{NotSeen: 0, Confirmed: 1, Contradicted: 2}[p]
	}
	best := map[reading.Quantity]KickVerdict{}
	for _, r := range results {
		for _, v := range r.Verdicts {
			if was, known := best[v.Quantity]; !known || rank(v.Proof) > rank(was.Proof) {
				best[v.Quantity] = v
			}
		}
	}
	var out []KickVerdict
	for q := range reading.NumSite {
		if v, known := best[q]; known {
			out = append(out, v)
		}
	}
	return out
}
