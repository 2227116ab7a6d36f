package survey

import (
	"math"
	"slices"
)

// view is one quantity at one look.
type view struct {
	typed Typed
	look  int
	volts float64 // what was typed as the battery's voltage at the same look; 0 if nothing
}

// fit is a candidate with the track that it scales.
type fit struct {
	Candidate
	track   *track
	guessed bool // its scale is on no list
}

func (f fit) said(v view) reach { return f.track.at[v.look].scaled(f.Scale, f.Offset) }

// behind is what the device may have measured when the register said what it said: a register
// rounds as well. Where its steps are wider than what the display shows, the display cannot
// know more either.
func (f fit) behind(v view) reach {
	r := f.said(v)
	if f.step() <= 1.01*v.typed.Digit {
		r.lo, r.hi = r.lo-f.step()/2, r.hi+f.step()/2
	}
	return r
}

// tolerance is how far a register may be from what was typed before it is not even
// considered: the last digit, which may be cut off rather than rounded, the register's own
// step, and two meters that differ.
func (t trait) tolerance(f fit, y Typed) float64 {
	return 2*y.Digit + f.step() + 1.5*t.gain*math.Abs(y.X) + t.blur
}

// fits tells whether a candidate says about what was typed at every view.
func (t trait) fits(f fit, views []view) bool {
	for _, v := range views {
		r, tol := f.said(v), t.tolerance(f, v.typed)
		if v.typed.X < r.lo-tol || v.typed.X > r.hi+tol || r.hi-r.lo > 2*tol+0.25*math.Abs(v.typed.X) {
			return false // what is restless fits anything
		}
	}
	return true
}

// score is the logarithm of the likelihood of what was typed, were the candidate the one:
// read off the device's own display, which rounds or cuts off what the register says, or off
// a meter that errs by a factor of its own. What is typed is one of the numbers that the
// digits allow, so these are probabilities.
func (t trait) score(f fit, views []view, cuts bool) float64 {
	shown, slip := 1.0, 1.0
	for _, v := range views {
		r, d, x := f.behind(v), v.typed.Digit, v.typed.X
		from, to := x-d/2, x+d/2
		if away := math.Copysign(d, x); cuts {
			from, to = min(x, x+away), max(x, x+away)
		}
		shown *= r.share(from, to)
		loose := d + min(f.step(), d)/2
		slip *= r.share(x-loose, x+loose) * d / (2 * loose)
	}
	return math.Log(0.65*shown+0.07*slip+0.28*t.metered(f, views)+1e-300) + mantissa(f, views)
}

// share is how much of the reach lies in a span; what stood still lies in it or not.
func (r reach) share(from, to float64) float64 {
	slack := 1e-6 * (1 + math.Abs(r.mid))
	from, to = from-slack, to+slack
	if width := r.hi - r.lo; width > slack {
		return max(min(r.hi, to)-max(r.lo, from), 0) / width
	}
	if r.mid >= from && r.mid <= to {
		return 1
	}
	return 0
}

// metered is the probability of what was typed if it was read off a meter that errs, by one
// factor and one offset at all looks. The error is normal and integrated out.
func (t trait) metered(f fit, views []view) float64 {
	log, rr, wr, ww := 0.0, 0.0, 0.0, 0.0
	for _, v := range views {
		r := f.said(v)
		sd := math.Hypot(math.Hypot(0.8*v.typed.Digit, 0.4*f.step()), 0.5*(r.hi-r.lo))
		e, w := (v.typed.X-r.mid)/sd, 0.7*(t.gain*math.Abs(r.mid)+t.blur)/sd
		rr, wr, ww = rr+e*e, wr+w*e, ww+w*w
		log += math.Log(min(v.typed.Digit/(2.5*sd), 1))
	}
	return math.Exp(log - (rr-wr*wr/(1+ww))/2 - math.Log(1+ww)/2)
}

// chance is the logarithm of the probability of what was typed if no register says it. A
// second look at the same thing is less of a surprise than the first, and a zero than any
// other number.
func (t trait) chance(views []view) float64 {
	log, first := 0.0, true
	for _, v := range views {
		span := t.span
		switch {
		case math.Abs(v.typed.X) <= 2*v.typed.Digit:
			log += math.Log(0.3)
			continue
		case within(v.typed.X, v.volts, 0.05*v.volts):
			span = min(span, 1.5) // many registers are near to the battery's volts
		case !first:
			span = t.swing
		}
		first = false
		log += math.Log(min(0.7*v.typed.Digit/span, 0.7))
	}
	return log
}

func within(a, b, by float64) bool { return math.Abs(a-b) <= by }

// mantissa compares how likely the low words are as the low ends of measured fractions with
// how likely as registers of something else, as a logarithm. Such low ends lie anywhere in
// their range as soon as the value moves, while other registers mostly stay where they are
// or move little. Words of round numbers say nothing.
func mantissa(f fit, views []view) float64 {
	if f.Type != "f32" {
		return 0
	}
	var lows, values []float64
	for _, v := range views {
		x := f.track.at[v.look].mid
		if math.Abs(x) < 1e-30 && x != 0 {
			return -10 // no measured zero looks like that
		}
		if x != 0 {
			lows, values = append(lows, f.track.lowWords[v.look]), append(values, x)
		}
	}
	round := !slices.ContainsFunc(values, func(x float64) bool { return !whole(2 * x) })
	if len(lows) < 2 || round || slices.Max(values)-slices.Min(values) < 0.005*math.Abs(values[0]) {
		return 0
	}
	return scattered(slices.Max(lows)-slices.Min(lows), float64(len(lows)))
}

// scattered is that comparison for k words that lie a share r of their range apart. Of other
// registers six in ten are taken to stand still and three to move by anything from one unit
// up, every size alike.
func scattered(r, k float64) float64 {
	if r == 0 {
		return -10
	}
	anywhere := k * (k - 1) * math.Pow(r, k-2) * (1 - r)
	return math.Log(anywhere / (0.3/(math.Log(65536)*r) + 0.1*anywhere))
}

func whole(x float64) bool { return math.Abs(x-math.Round(x)) < 1e-9 }
