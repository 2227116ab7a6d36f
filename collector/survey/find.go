package survey

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"ebbwatch/collector/reading"
)

// Look is one moment: what the owner typed, and what the registers held just before and
// just after.
type Look struct {
	At     time.Time
	Typed  map[reading.Quantity]Typed
	Images []Image
}

// Verdict is how far the finder got with one quantity.
type Verdict string

// The verdicts.
const (
	Decided   Verdict = "found"
	Undecided Verdict = "undecided"
	Missing   Verdict = "not found"
)

// Finding is what is known of one quantity.
type Finding struct {
	Quantity   reading.Quantity
	Verdict    Verdict
	Pick       Candidate   // when decided
	Candidates []Candidate // all that fit, one for each way that matters
	Why        string      // why nothing was picked
	Evidence   []string    // what was typed and what the pick said, look by look
}

// String is one line for people.
func (f Finding) String() string {
	switch f.Verdict {
	case Decided:
		return fmt.Sprintf("%s: found: %s", f.Quantity, f.Pick)
	case Missing:
		return fmt.Sprintf("%s: not found: %s", f.Quantity, f.Why)
	}
	return fmt.Sprintf("%s: undecided: %s", f.Quantity, f.Why)
}

// Find tells for each quantity that was typed which register it is. panelWatts is the
// panel's power if known, else 0. It picks nothing unless one candidate remains and the looks
// set it apart from a constant.
func Find(looks []Look, panelWatts float64) []Finding {
	asked := map[reading.Quantity]bool{}
	for _, l := range looks {
		for q := range l.Typed {
			asked[q] = true
		}
	}
	var hunts []*hunt
	for _, q := range slices.Sorted(maps.Keys(asked)) {
		hunts = append(hunts, newHunt(q, looks, traitOf(q, panelWatts)))
	}
	vote(hunts)
	share(hunts)
	out := make([]Finding, len(hunts))
	for i, h := range hunts {
		out[i] = h.Finding
	}
	return out
}

// hunt is the search for one quantity.
type hunt struct {
	Finding
	trait
	views    []view
	scores   map[Candidate]float64
	byChance map[Candidate]float64
	order    *bool // low word first, as seen with another quantity
}

// newHunt lists every candidate that fits.
func newHunt(q reading.Quantity, looks []Look, t trait) *hunt {
	h := &hunt{Finding: Finding{Quantity: q, Verdict: Undecided}, trait: t, scores: map[Candidate]float64{}, byChance: map[Candidate]float64{}}
	for _, l := range looks {
		if typed, said := l.Typed[q]; said {
			h.views = append(h.views, view{typed, l.Images, l.Typed[reading.BatteryVolts].X})
			if q == reading.PanelVolts && typed.X > 8 { // no panel gives twice what it gave in any light
				t.limit = min(t.limit, 2*typed.X)
			}
		}
	}
	h.trait = t
	var fitting []Candidate
	for _, at := range addresses(h.views) {
		fitting = append(fitting, t.candidates(at, func(c Candidate) bool { return t.fits(c, h.views) })...)
	}
	for _, g := range mirrored(group(fitting), h.views) {
		h.Candidates = append(h.Candidates, t.represent(g, h.views)...)
	}
	for _, c := range h.Candidates {
		h.scores[c], h.byChance[c] = t.score(c, h.views)
	}
	slices.SortStableFunc(h.Candidates, func(a, b Candidate) int { return cmp.Compare(h.scores[b], h.scores[a]) })
	return h
}

// share settles the hunts. A register is one quantity only: what one hunt has found falls
// away for the others, which may then settle too; what two hunts want, neither gets.
func share(hunts []*hunt) {
	taken, disputed := map[Address]bool{}, map[Address]bool{}
	for again := true; again; {
		again = false
		claims := map[Address][]*hunt{}
		for _, h := range hunts {
			if h.Verdict != Decided && h.settle(taken) && !coveted(h, hunts, taken) {
				claims[h.Pick.low()] = append(claims[h.Pick.low()], h)
			}
		}
		if len(claims) == 0 {
			claims = pair(hunts, taken)
		}
		for at, those := range claims {
			if len(those) == 1 && !disputed[at] {
				taken[at], taken[those[0].Pick.At], again = true, true, true
				continue
			}
			disputed[at] = true
			for _, h := range those {
				h.withdraw(at, those)
			}
		}
	}
}

// vote finds the device's word order from all the fractions whose two orders are left to
// choose from, together. A device keeps to one order.
func vote(hunts []*hunt) {
	sum := 0.0
	for _, h := range hunts {
		if c := h.Candidates; len(c) > 1 && c[0].Type == "f32" && c[1].Type == "f32" && c[0].high() == c[1].high() {
			gap := h.scores[c[0]] - h.scores[c[1]]
			if !c[0].LowFirst {
				gap = -gap
			}
			sum += gap
		}
	}
	if lowFirst := sum > 0; math.Abs(sum) > 10 {
		for _, h := range hunts {
			h.order = &lowFirst
		}
	}
}

// coveted tells whether a quantity that is still sought fits the pick's register best, and
// takes the pick back then: amperes times a dozen look like watts.
func coveted(h *hunt, hunts []*hunt, taken map[Address]bool) bool {
	for _, o := range hunts {
		if o == h || o.Verdict == Decided {
			continue
		}
		if free := o.free(taken); len(free) > 0 && free[0].low() == h.Pick.low() {
			h.withdraw(h.Pick.low(), []*hunt{h, o})
			return true
		}
	}
	return false
}

// withdraw takes a pick back that another quantity claims with equal right.
func (h *hunt) withdraw(at Address, those []*hunt) {
	var names []string
	for _, o := range those {
		names = append(names, o.Quantity.String())
	}
	h.Verdict, h.Pick, h.Evidence = Undecided, Candidate{}, nil
	h.Why = fmt.Sprintf("%s register %d fits %s", at.Table, at.Number, strings.Join(names, " as well as "))
}

// lead is how much likelier, as a logarithm, the best candidate must be than another: thirty
// times; and seven hundred times where they are the two word orders of a fraction, since what
// tells those apart is a low word that may look idle by chance. For the order that the device
// shows elsewhere seven times is enough.
func (h *hunt) lead(best, other Candidate) float64 {
	if best.Type != "f32" || other.Type != "f32" || best.high() != other.high() {
		return 3.5
	}
	if h.order != nil && *h.order == best.LowFirst {
		return 2
	}
	return 6.5
}

// sure tells whether a candidate is clearly likelier than that one of the registers that move
// with the sun and the loads, none of them the right one, fits by chance. That about every
// twentieth does so was tried on a thousand made-up devices.
func (h *hunt) sure(c Candidate) bool {
	registers := float64(max(len(h.views[0].images[0]), 20))
	least := math.Log(registers/20) + 0.25
	if c.surprise() > 1 { // there are many unusual scales to fit by chance
		least += 0.7
	}
	return h.scores[c]+mantissa(c, h.views)-h.byChance[c] > least
}

// settle picks the best candidate if it stands out and nothing speaks against it.
func (h *hunt) settle(taken map[Address]bool) bool {
	free := h.free(taken)
	h.Verdict = Undecided
	switch {
	case len(free) == 0:
		h.Verdict, h.Why = Missing, "no register says what was typed"
		return false
	case len(h.views) < 2:
		h.Why = fmt.Sprintf("%s; a second look decides", count(len(free), "candidate"))
		return false
	}
	best := free[0]
	rivals := h.rivals(free)
	if len(rivals) > 1 {
		h.Why = fmt.Sprintf("%d candidates remain: %s", len(rivals), list(rivals))
		return false
	}
	return h.take(best)
}

// take decides for a candidate unless something speaks against it.
func (h *hunt) take(c Candidate) bool {
	if h.Why = h.doubt(c, h.views); h.Why != "" {
		return false
	}
	if !h.sure(c) {
		h.Why = "one candidate fits, but so little was seen that it may be chance: " + c.String()
		return false
	}
	h.Verdict, h.Pick, h.Evidence = Decided, c, evidence(c, h.views)
	return true
}

// free are the candidates whose registers nobody has.
func (h *hunt) free(taken map[Address]bool) []Candidate {
	return slices.DeleteFunc(slices.Clone(h.Candidates), func(c Candidate) bool {
		return taken[c.low()] || c.Type == "f32" && taken[c.high()]
	})
}

// rivals are those that are not clearly worse than the best, which comes first.
func (h *hunt) rivals(free []Candidate) []Candidate {
	return slices.DeleteFunc(slices.Clone(free), func(c Candidate) bool { return h.scores[c] < h.scores[free[0]]-h.lead(free[0], c) })
}

// pair settles two quantities that both fit the same two registers and nothing else, when
// one way round is clearly likelier than the other.
func pair(hunts []*hunt, taken map[Address]bool) map[Address][]*hunt {
	for i, a := range hunts {
		for _, b := range hunts[:i] {
			if a.Verdict == Decided || b.Verdict == Decided || len(a.views) < 2 || len(b.views) < 2 {
				continue
			}
			ra, rb := a.rivals(a.free(taken)), b.rivals(b.free(taken))
			if !crossed(ra, rb) {
				continue
			}
			// ra is best first; rb[k] is the register of ra[0], rb[1-k] that of ra[1].
			k := slices.IndexFunc(rb, func(c Candidate) bool { return c.low() == ra[0].low() })
			straight := a.scores[ra[0]] + b.scores[rb[1-k]]
			other := a.scores[ra[1]] + b.scores[rb[k]]
			ca, cb := ra[0], rb[1-k]
			if other > straight {
				ca, cb = ra[1], rb[k]
			}
			if math.Abs(straight-other) > a.lead(ca, cb) && a.take(ca) && b.take(cb) {
				return map[Address][]*hunt{ca.low(): {a}, cb.low(): {b}}
			}
			a.Verdict, b.Verdict = Undecided, Undecided
		}
	}
	return nil
}

// crossed tells whether two lists hold the same two registers, one candidate for each.
func crossed(a, b []Candidate) bool {
	if len(a) != 2 || len(b) != 2 || a[0].low() == a[1].low() {
		return false
	}
	return a[0].low() == b[0].low() && a[1].low() == b[1].low() || a[0].low() == b[1].low() && a[1].low() == b[0].low()
}

func evidence(c Candidate, views []view) []string {
	var out []string
	for _, v := range views {
		raw, _ := c.raw(v.images[0])
		lo, hi, _, _ := v.said(c)
		text := fmt.Sprintf("typed %g, register said %g (raw %g)", v.typed.X, round(hi), raw)
		if lo != hi {
			text = fmt.Sprintf("typed %g, register said %g to %g", v.typed.X, round(lo), round(hi))
		}
		out = append(out, text)
	}
	return out
}

func round(x float64) float64 { return math.Round(x*1e4) / 1e4 }

func count(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}

// list names candidates, not too many.
func list(cs []Candidate) string {
	var out []string
	for _, c := range cs[:min(len(cs), 4)] {
		out = append(out, "{"+c.String()+"}")
	}
	if len(cs) > 4 {
		out = append(out, "…")
	}
	return strings.Join(out, " ")
}
