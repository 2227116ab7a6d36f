package survey

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"ebbwatch/collector/plausible"
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
	Limits     Limits      // of the pick
	Candidates []Candidate // all that are not out of the question, the likeliest first
	Sure       float64     // how probable the first of them is, 0 to 1
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

const (
	sureEnough = 0.9   // a pick must be as probable as this: that nothing fits is weighed generously
	rivalry    = 0.02  // and all that could be it instead no more than this
	inQuestion = 0.001 // what is less probable is not named
)

// Find tells for each quantity that was typed which register it is. panelWatts is the
// panel's power if known, else 0. All quantities are weighed together: no register is two of
// them, and a device keeps to one order of its words and bytes. It picks nothing unless one
// candidate is all but certain and the looks set it apart from a constant.
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
	weigh(hunts, looks)
	out := make([]Finding, len(hunts))
	for _, h := range hunts {
		h.rank()
	}
	for i, h := range hunts {
		h.settle(hunts, siteOf(looks, panelWatts))
		out[i] = h.Finding
	}
	return out
}

// rank lists the candidates that are not out of the question, the likeliest first.
func (h *hunt) rank() {
	for c, p := range h.odds {
		if p > inQuestion {
			h.Candidates = append(h.Candidates, c)
		}
	}
	slices.SortFunc(h.Candidates, func(a, b Candidate) int {
		return cmp.Or(cmp.Compare(h.odds[b], h.odds[a]), strings.Compare(a.String(), b.String()))
	})
}

// settle picks the likeliest candidate if it is all but certain and nothing speaks against it.
func (h *hunt) settle(all []*hunt, site plausible.Site) {
	if len(h.Candidates) == 0 {
		h.Verdict, h.Why = Missing, "no register says what was typed"
		return
	}
	best := h.known[h.Candidates[0]]
	h.Sure = h.odds[best.Candidate]
	if h.Why = h.doubt(best, all); h.Why == "" {
		h.Verdict, h.Pick, h.Evidence = Decided, h.prefer(best.Candidate), h.evidence(best)
		h.Limits = h.limits(h.Pick, site)
	}
}

// doubt says why the likeliest candidate must not be believed yet; empty when it may.
func (h *hunt) doubt(best fit, all []*hunt) string {
	switch {
	case len(h.views) < 2:
		return fmt.Sprintf("%s; a second look decides", count(len(h.Candidates), "candidate"))
	case !h.sure() && h.coveted(best, all) != "":
		return fmt.Sprintf("%s register %d fits %s as well as %s", best.At.Table, best.low().Number, h.Quantity, h.coveted(best, all))
	case !h.sure() && len(h.Candidates) > 1:
		return fmt.Sprintf("%d candidates remain: %s", len(h.Candidates), list(h.Candidates))
	case best.guessed:
		return "one candidate fits, on a scale that was only guessed: " + best.String()
	case h.closer(best) != "":
		return "one candidate fits, but an unusual scale would follow more closely: " + best.String() + " or " + h.closer(best)
	case !h.sure():
		return "one candidate fits, but so little was seen that it may be chance: " + best.String()
	case !h.followed(best):
		return "one candidate fits, but so would a constant, since what was typed hardly changed: " + best.String()
	case h.flips && !h.signSeen(best):
		return "one candidate fits, but only one direction of the current was seen: " + best.String()
	}
	return ""
}

// sure tells whether the likeliest candidate is probable enough, and all others together are
// improbable.
func (h *hunt) sure() bool {
	rivals := 0.0
	for c, p := range h.odds {
		if c != h.Candidates[0] && !h.known[c].guessed {
			rivals += p
		}
	}
	enough, best := sureEnough, h.known[h.Candidates[0]]
	switch {
	case h.odd(best.Candidate) && !h.telling(): // there are many of those to fit by chance
		enough = 0.99
	case h.Quantity == reading.PanelAmps || h.Quantity == reading.ChargeAmps:
		enough = 0.99 // the one is easily taken for the other
	}
	return h.Sure > enough && rivals < rivalry
}

// coveted names another quantity that may be in the same register; empty when none may.
func (h *hunt) coveted(best fit, all []*hunt) string {
	for _, o := range all {
		for _, c := range o.Candidates {
			if o != h && c.low() == best.low() && o.odds[c] > 0.1 {
				return o.Quantity.String()
			}
		}
	}
	return ""
}

// closer names a register that nothing else is likely to be and that says on some scale just what
// was typed, when the best candidate only says it nearly.
func (h *hunt) closer(best fit) string {
	if h.exact(best) {
		return ""
	}
	for _, c := range h.Candidates {
		apart := c.low() != best.low() || math.Abs(c.Scale/best.Scale-1) > 1.5*h.gain // more than meters differ
		if h.known[c].guessed && apart && h.telling() {
			return c.String()
		}
	}
	return ""
}

// telling tells whether what was typed changed so much, zeros apart, that only few registers can
// have changed in the same proportion.
func (h *hunt) telling() bool {
	least, most := math.Inf(1), 0.0
	for _, v := range h.views {
		if x := math.Abs(v.typed.X); x > 2*v.typed.Digit {
			least, most = min(least, x), max(most, x)
		}
	}
	return most > 1.5*least
}

// exact tells whether a display can have shown what was typed at every look.
func (h *hunt) exact(f fit) bool {
	return !slices.ContainsFunc(h.views, func(v view) bool {
		r := f.said(v)
		return r.share(v.typed.X-v.typed.Digit, v.typed.X+v.typed.Digit) == 0
	})
}

// followed tells whether the register moved clearly, between two looks, the way that what was
// typed moved.
func (h *hunt) followed(f fit) bool {
	for i, a := range h.views {
		for _, b := range h.views[:i] {
			x, y, typed := f.said(a), f.said(b), a.typed.X-b.typed.X
			if math.Abs(typed) > 0.9*max(a.typed.Digit, b.typed.Digit) && (x.lo > y.hi && typed > 0 || x.hi < y.lo && typed < 0) {
				return true
			}
		}
	}
	return false
}

// signSeen tells whether the register was seen with a negative number in it: one that was
// not may hold a magnitude.
func (h *hunt) signSeen(f fit) bool {
	return slices.ContainsFunc(h.views, func(v view) bool {
		return f.track.at[v.look].hi < 0 && math.Abs(v.typed.X) > 0.9*v.typed.Digit
	})
}

func (h *hunt) evidence(f fit) []string {
	var out []string
	for _, v := range h.views {
		raw, r := f.track.at[v.look], f.said(v)
		text := fmt.Sprintf("typed %g, register said %g (raw %g)", v.typed.X, round(r.hi), raw.mid)
		if r.lo != r.hi {
			text = fmt.Sprintf("typed %g, register said %g to %g", v.typed.X, round(r.lo), round(r.hi))
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
