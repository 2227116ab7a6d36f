package survey

import (
	"cmp"
	"maps"
	"math"
	"slices"
)

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
		zero = zero || math.Abs(a.typed.X) <= max(2.5*a.typed.Digit, c.step(), t.blur)
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
	return 0.45 * math.Hypot(math.Hypot(v.typed.Digit, c.step()), hi-lo)
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
