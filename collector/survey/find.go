package survey

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"ebbwatch/collector/modbus"
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
			if q == reading.PVVolts && typed.X > 8 { // no panel gives twice what it gave in any light
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
	if lowFirst := sum > 0; math.Abs(sum) > 7.5 {
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
// times; and two thousand times where they are the two word orders of a fraction, since what
// tells those apart is a low word that may look idle by chance. A device keeps to one order.
func (h *hunt) lead(best, other Candidate) float64 {
	if best.Type != "f32" || other.Type != "f32" || best.high() != other.high() {
		return 3.5
	}
	if h.order != nil && *h.order == best.LowFirst {
		return 0
	}
	return 7.5
}

// sure tells whether a candidate is clearly likelier than that one of the registers that move
// with the sun and the loads, none of them the right one, fits by chance. That about every
// twentieth does so was tried on a thousand made-up devices.
func (h *hunt) sure(c Candidate) bool {
	registers := float64(max(len(h.views[0].images[0]), 20))
	return h.scores[c]+mantissa(c, h.views)-h.byChance[c] > math.Log(registers/20)+0.5
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

// score is the logarithm of the likelihood of what was typed, were the candidate the one:
// read off the device's own display, or off a meter that errs by a factor of its own. chance
// is the same were it some other register, for which a zero is nothing special.
func (t trait) score(c Candidate, views []view) (score, chance float64) {
	sum := 0.3 * t.likelihood(c, views, 0.7)
	if c.displays(views) {
		sum += 0.7 * t.likelihood(c, views, 0)
	}
	for _, v := range views {
		if math.Abs(v.typed.X) <= max(v.typed.Digit, c.step()) {
			chance += math.Log(0.3 / (2.5 * v.blur(c)))
		} else {
			chance -= math.Log(t.usual)
		}
	}
	return math.Log(max(sum, 1e-300)) - c.surprise() - mantissa(c, views), chance
}

// likelihood of what was typed if it was read off a meter that errs, by one factor and one
// offset at all looks, so many times as much as the trait allows. The error is normal and
// integrated out.
func (t trait) likelihood(c Candidate, views []view, errs float64) float64 {
	log, rr, wr, ww := 0.0, 0.0, 0.0, 0.0
	for _, v := range views {
		_, _, mid, _ := v.said(c)
		sd := v.blur(c)
		r, w := (v.typed.X-mid)/sd, errs*(t.gain*math.Abs(mid)+t.blur)/sd
		rr, wr, ww = rr+r*r, wr+w*r, ww+w*w
		log -= math.Log(2.5 * sd)
	}
	return math.Exp(log - (rr-wr*wr/(1+ww))/2 - math.Log(1+ww)/2)
}

// blur is the standard deviation between what a candidate said and what was typed.
func (v view) blur(c Candidate) float64 {
	lo, hi, _, _ := v.said(c)
	return 0.6 * math.Hypot(math.Hypot(v.typed.Digit, c.step()), hi-lo)
}

// displays tells whether the device's own display can have shown what was typed: it shows no
// finer steps than its register has.
func (c Candidate) displays(views []view) bool {
	for _, v := range views {
		steps := (v.typed.X - c.Offset) / max(c.step(), 1e-9)
		if c.step() > 1.01*v.typed.Digit && math.Abs(steps-math.Round(steps)) > 0.51*v.typed.Digit/c.step() {
			return false
		}
	}
	return true
}

// mantissa is how unlikely the low words are as the low ends of measured fractions, as the
// logarithm of a probability. Such words lie anywhere in their range as soon as the value
// moves by more than a hundredth, while a neighbour that only passes for one hardly moves.
// Words of round numbers say nothing.
func mantissa(c Candidate, views []view) float64 {
	if c.Type != "f32" {
		return 0
	}
	var lows []float64
	round := true
	for _, v := range views {
		if x, _ := c.raw(v.images[0]); math.Abs(x) < 1e-30 && x != 0 {
			return 10 // no measured zero looks like that
		} else if x != 0 {
			lows = append(lows, float64(v.images[0][c.low()])/65536)
			round = round && whole(2*x)
		}
	}
	if len(lows) < 2 || round {
		return 0
	}
	k, r := float64(len(lows)), slices.Max(lows)-slices.Min(lows)+1./65536
	return min(-math.Log(k*math.Pow(r, k-1)-(k-1)*math.Pow(r, k)), 10)
}

// view is one quantity at one look.
type view struct {
	typed  Typed
	images []Image
	volts  float64 // what was typed as the battery's voltage at the same look; 0 if nothing
}

// addresses are those that were read at every view, in order.
func addresses(views []view) []Address {
	if len(views) == 0 || len(views[0].images) == 0 {
		return nil
	}
	all := slices.Collect(maps.Keys(views[0].images[0]))
	slices.SortFunc(all, func(a, b Address) int {
		return cmp.Or(cmp.Compare(a.Table, b.Table), cmp.Compare(a.Number, b.Number))
	})
	return all
}

// said is what a candidate read at a view: least, most, and the middle of it.
func (v view) said(c Candidate) (lo, hi, mid float64, known bool) {
	lo, hi = math.Inf(1), math.Inf(-1)
	for _, img := range v.images {
		x, ok := c.Value(img)
		if !ok {
			return 0, 0, 0, false
		}
		lo, hi = min(lo, x), max(hi, x)
	}
	return lo, hi, (lo + hi) / 2, len(v.images) > 0
}

// tolerance is how far a register may be from what was typed: the last digit, which may be
// cut off rather than rounded, the register's own step, and two meters that differ.
func (t trait) tolerance(c Candidate, y Typed) float64 {
	return y.Digit + c.step() + t.gain*math.Abs(y.X) + t.blur
}

// fits tells whether a candidate says what was typed at every view, and moved between the
// views as what was typed did.
func (t trait) fits(c Candidate, views []view) bool {
	for _, v := range views {
		lo, hi, _, known := v.said(c)
		tol := t.tolerance(c, v.typed)
		if !known || v.typed.X < lo-tol || v.typed.X > hi+tol || hi-lo > 2*tol+0.25*math.Abs(v.typed.X) {
			return false // what is restless fits anything
		}
	}
	for i, a := range views {
		for _, b := range views[:i] {
			if typed, said, tol := t.move(c, a, b); math.Abs(said-typed) > 1.3*tol {
				return false
			}
		}
	}
	return true
}

// move compares how far the display and a candidate moved between two views, and how far
// those may differ. Two meters that differ by a constant or a factor move nearly alike, so
// this is finer than [trait.tolerance].
func (t trait) move(c Candidate, a, b view) (typed, said, tol float64) {
	loA, hiA, midA, _ := a.said(c)
	loB, hiB, midB, _ := b.said(c)
	typed, said = a.typed.X-b.typed.X, midA-midB
	tol = a.typed.Digit + b.typed.Digit + c.step() + (hiA - loA) + (hiB - loB) +
		2*t.gain*math.Abs(typed) + t.blur/4
	return typed, said, tol
}

// still is the most that what was typed can differ at two views while the register stood
// still: both were rounded, and a meter's last digit dances.
func (t trait) still(c Candidate, a, b view) float64 {
	loA, hiA, _, _ := a.said(c)
	loB, hiB, _, _ := b.said(c)
	most := (a.typed.Digit+b.typed.Digit)/2 + c.step() + (hiA-loA+hiB-loB)/2 + t.blur/4
	if !c.displays([]view{a, b}) {
		most += a.typed.Digit + b.typed.Digit
	}
	return 1.1 * most
}

// doubt says why the one candidate that remains must not be believed yet; empty when it may.
func (t trait) doubt(c Candidate, views []view) string {
	moved, up, down, voltage, zero := false, false, false, !t.volts, false
	for i, a := range views {
		if a.typed.X != 0 && math.Abs(a.typed.X-a.volts) > 0.04*a.volts+a.typed.Digit {
			voltage = false
		}
		zero = zero || math.Abs(a.typed.X) <= max(a.typed.Digit, c.step())
		margin := t.blur + 2*a.typed.Digit
		up, down = up || a.typed.X > margin, down || a.typed.X < -margin
		for _, b := range views[:i] {
			moved = moved || math.Abs(a.typed.X-b.typed.X) > t.still(c, a, b)
		}
	}
	switch {
	case !moved:
		return "one candidate fits, but so would a constant, since what was typed hardly changed: " + c.String()
	case zero && c.surprise() > 1 && len(views) < 3:
		return "one candidate fits, with an unusual scale that a zero does not prove: " + c.String()
	case voltage:
		return "one candidate fits, but what was typed was near to the battery's volts each time: " + c.String()
	case t.flips && !(up && down):
		return "one candidate fits, but only one direction of the current was seen: " + c.String()
	}
	return ""
}

// group puts the candidates together that read the same low word on the same scale: they
// differ only where a number outgrows 16 bits.
func group(all []Candidate) [][]Candidate {
	type key struct {
		low           Address
		scale, offset float64
		float         bool
		lowFirst      bool
	}
	var order []key
	groups := map[key][]Candidate{}
	for _, c := range all {
		k := key{low: c.low(), scale: c.Scale, offset: c.Offset, float: c.Type == "f32"}
		k.lowFirst = k.float && c.LowFirst
		if groups[k] == nil {
			order = append(order, k)
		}
		groups[k] = append(groups[k], c)
	}
	out := make([][]Candidate, len(order))
	for i, k := range order {
		out[i] = groups[k]
	}
	return out
}

// mirrored drops the input registers that say at every moment what the holding registers of
// the same address say: many devices serve one list under both functions.
func mirrored(groups [][]Candidate, views []view) [][]Candidate {
	same := func(a, b Candidate) bool {
		if a.At.Number != b.At.Number || a.Scale != b.Scale || a.Offset != b.Offset || a.Type != b.Type || a.LowFirst != b.LowFirst {
			return false
		}
		for _, v := range views {
			loA, hiA, _, _ := v.said(a)
			loB, hiB, _, _ := v.said(b)
			if math.Abs(loA-loB) > a.step() || math.Abs(hiA-hiB) > a.step() {
				return false
			}
		}
		return true
	}
	return slices.DeleteFunc(groups, func(g []Candidate) bool {
		return g[0].At.Table == modbus.Input && slices.ContainsFunc(groups, func(h []Candidate) bool {
			return h[0].At.Table == modbus.Holding && same(g[0], h[0])
		})
	})
}

// represent gives the candidates of a group that differ in what they would read on this
// node: one where 16 bits are enough for the quantity or the neighbours rule 32 bits out.
func (t trait) represent(g []Candidate, views []view) []Candidate {
	pick := func(kind string) (Candidate, bool) {
		i := slices.IndexFunc(g, func(c Candidate) bool { return c.Type == kind })
		if i < 0 {
			return Candidate{}, false
		}
		return g[i], true
	}
	narrow, wide, room := "u16", "u32", 65535.0
	if t.signed && g[0].Offset == 0 {
		narrow, wide, room = "s16", "s32", 32767
	}
	small, is16 := pick(narrow)
	var large []Candidate
	for _, c := range g {
		if c.Type == wide {
			large = append(large, c)
		}
	}
	switch {
	case g[0].Type == "f32" || !is16 && len(large) == 0:
		return g[:1]
	case !is16:
		return large
	case len(large) == 1 && extended(large[0], views):
		return large
	case t.limit/math.Abs(small.Scale) <= room || len(large) == 0:
		return []Candidate{small}
	}
	return append([]Candidate{small}, large...)
}

// extended tells whether the high word was seen both as the sign of a positive and of a
// negative number: then it belongs to it.
func extended(c Candidate, views []view) bool {
	var plus, minus bool
	for _, v := range views {
		for _, img := range v.images {
			plus, minus = plus || img[c.high()] == 0, minus || img[c.high()] == 0xFFFF
		}
	}
	return plus && minus
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
