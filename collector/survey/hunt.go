package survey

import (
	"math"
	"slices"

	"ebbwatch/collector/reading"
)

// hunt is the search for one quantity.
type hunt struct {
	Finding
	trait
	views   []view
	nowhere float64               // the logarithm of how probable it is that no register says it
	near    map[bool]gathered     // by whether the low byte comes first
	odds    map[Candidate]float64 // how probable each candidate is, all things considered
	known   map[Candidate]fit
}

func newHunt(q reading.Quantity, looks []Look, t trait) *hunt {
	h := &hunt{Finding: Finding{Quantity: q, Verdict: Undecided}, trait: t,
		near: map[bool]gathered{}, odds: map[Candidate]float64{}, known: map[Candidate]fit{}}
	for i, l := range looks {
		if typed, said := l.Typed[q]; said {
			h.views = append(h.views, view{typed, i, l.Typed[reading.BatteryVolts].X})
			if q == reading.PanelVolts && typed.X > 8 { // no panel gives twice what it gave in any light
				h.limit = min(h.limit, 2*typed.X)
			}
		}
	}
	h.nowhere = math.Log(h.absent) + h.chance(h.views)
	return h
}

// gathered are the ways to read a quantity that fit, in one order of the bytes.
type gathered struct {
	fits    []fit
	guesses []weighed
	each    float64 // the logarithm of how probable each register is beforehand
}

// gather looks through the tracks. Each way to read each register is as likely as its kind is
// usual, of those that moved as the quantity did and could be it at all.
func (h *hunt) gather(all []track) gathered {
	var g gathered
	ways := 0.0
	for i := range all {
		tr := &all[i]
		if tr.Type == "u16" && h.alike(tr) {
			ways += h.ways(tr)
		}
		h.try(tr, func(f fit) { g.fits = append(g.fits, f) })
	}
	g.each = math.Log((1 - h.absent) / max(ways, 0.5))
	g.guesses = h.freely(all)
	return g
}

// ways sums up how usual the scales are on which a track could be the quantity.
func (h *hunt) ways(tr *track) float64 {
	sum := 0.0
	for _, s := range h.scales(tr.Type) {
		c := tr.Candidate
		c.Scale = s
		largest, possible := 0.0, true
		for _, v := range h.views {
			x := math.Abs(tr.at[v.look].mid * s)
			largest = max(largest, x)
			if h.volts && v.volts > 0 && h.limit < 40 && x > 0.1*v.volts && !within(x, v.volts, 0.2*v.volts) {
				possible = false // all that hangs on the battery has about its volts
			}
		}
		if possible && largest >= h.least && largest <= h.limit {
			sum += math.Exp(h.prior(c))
		}
	}
	return sum
}

// options are the candidates of a world, weighed by how usual they are and how well they say
// what was typed.
func (h *hunt) options(w world) []weighed {
	g := h.near[w.lowByte]
	here := slices.DeleteFunc(slices.Clone(g.fits), func(f fit) bool { return !w.has(f.Candidate) })
	var out []weighed
	for _, alike := range mirrored(group(here), h.views) {
		for _, o := range h.represent(alike) {
			o.log += g.each + h.prior(o.Candidate) + h.score(o.fit, h.views, w.cuts)
			if h.saysVolts(o.track) {
				o.log -= math.Log(10)
			}
			if w.order == "mixed" && o.Type == "f32" {
				o.log -= math.Ln2
			}
			out = append(out, o)
		}
	}
	for _, o := range g.guesses {
		if w.has(o.Candidate) {
			o.log += g.each
			out = append(out, o)
		}
	}
	return out
}

// saysVolts tells whether a register that is sought for something else says, in decades, the
// battery's volts at every look at which it says anything: it is likely a voltage then, such
// as that of the load.
func (h *hunt) saysVolts(tr *track) bool {
	if h.volts || h.offsets != nil {
		return false
	}
	for scale := 1.0; scale > 0.0005; scale /= 10 {
		said := 0
		for _, v := range h.views {
			switch x := math.Abs(tr.at[v.look].mid * scale); {
			case v.volts > 0 && within(x, v.volts, 0.015*v.volts):
				said++
			case x > 0.02*max(v.volts, 1):
				said = -len(h.views)
			}
		}
		if said > 0 {
			return true
		}
	}
	return false
}

// try gives every way to scale a track that fits.
func (h *hunt) try(tr *track, found func(fit)) {
	for _, s := range h.scales(tr.Type) {
		f := fit{Candidate: tr.Candidate, track: tr}
		f.Scale = s
		if h.trait.fits(f, h.views) {
			found(f)
		}
		if tr.Type == "f32" {
			continue
		}
		for _, o := range h.offsets {
			if f.Offset = o; h.trait.fits(f, h.views) {
				found(f)
			}
		}
	}
}

// alike tells whether a register moved where what was typed did, and was nothing where that
// was.
func (h *hunt) alike(tr *track) bool {
	for i, a := range h.views {
		if h.offsets == nil && math.Abs(a.typed.X) <= a.typed.Digit && tr.at[a.look].mid > 12 {
			return false
		}
		for _, b := range h.views[:i] {
			x, y := tr.at[a.look], tr.at[b.look]
			if math.Abs(a.typed.X-b.typed.X) > 2*a.typed.Digit && x.mid == y.mid {
				return false
			}
		}
	}
	return true
}

// freely gives the registers that say what the display says on a scale that is on no list.
// None is picked, but they speak against a listed scale nearby.
func (h *hunt) freely(all []track) []weighed {
	narrow, wide := "u16", "u32"
	if h.signed {
		narrow, wide = "s16", "s32"
	}
	var out []weighed
	for i := range all {
		tr := &all[i]
		if tr.Type != narrow && !(tr.Type == wide && (tr.foreign || tr.minus)) || h.offsets != nil || !h.alike(tr) {
			continue // the low word does
		}
		lo, hi := h.proportion(tr)
		if lo < hi && !slices.ContainsFunc(h.scales(narrow), func(s float64) bool { return s >= lo && s <= hi }) {
			f := fit{tr.Candidate, tr, true}
			f.Scale = math.Round((lo+hi)/2*1e6) / 1e6
			out = append(out, weighed{f, math.Log(guesses * 0.7 * (hi - lo) / max(math.Abs(lo), math.Abs(hi)) / math.Log(1e6))})
		}
	}
	return out
}

const guesses = 0.01 // how likely a device uses a scale that is on no list

// proportion is the span of scales on which a track would say at every look what the display
// says. It is empty, the first not below the second, when there is none.
func (h *hunt) proportion(tr *track) (lo, hi float64) {
	lo, hi = math.Inf(-1), math.Inf(1)
	for _, v := range h.views {
		r, x, d := tr.at[v.look], v.typed.X, v.typed.Digit
		if r.mid == 0 && math.Abs(x) <= d {
			continue
		}
		if r.mid == 0 || r.hi-r.lo > 0.1*math.Abs(r.mid) {
			return 1, 0 // what is restless fits anything
		}
		a, b := (x-d)/r.mid, (x+d)/r.mid
		lo, hi = max(lo, min(a, b)), min(hi, max(a, b))
	}
	if math.IsInf(lo, 0) || lo*hi <= 0 || !h.flips && lo < 0 || max(math.Abs(lo), math.Abs(hi)) > 10 {
		return 1, 0
	}
	return lo, hi
}
