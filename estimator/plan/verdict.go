package plan

import (
	"fmt"
	"math"
	"time"
)

// Carried is the mean load, W, that a try of the kit carries at its target, its shape over
// the day left as it is.
func (y *Year) Carried(years []Winter, t Try) float64 {
	drawn := y.kit.Load.Mean()
	if drawn <= 0 {
		return math.NaN()
	}
	base := or1(t.Load)
	over := func(scale float64) float64 {
		t.Load = base * scale
		return y.over(years, t)
	}
	low, high := 1.0, 1.0
	atLow := over(1)
	atHigh := atLow
	for atHigh <= 0 && high < 64 {
		low, atLow, high = high, atHigh, high*2
		atHigh = over(high)
	}
	for atLow > 0 {
		if low < 1.0/512 {
			return 0
		}
		high, atHigh, low = low, atLow, low/2
		atLow = over(low)
	}
	low, _ = cross(low, high, atLow, atHigh, 0.01, over)
	return max(0, drawn*base*low-t.Less)
}

// cross finds where something that rises goes through 0 between low, where it does not lie
// above, and high, where it does: closer to each other than a share of what they are. It goes
// along the line between both, and halves what is left where that does not (in logarithms).
func cross(low, high, atLow, atHigh, near float64, f func(float64) float64) (below, above float64) {
	for n := 0; high-low > near*high; n++ {
		part := 0.5
		if n%3 != 2 {
			part = max(0.06, min(0.94, atLow/(atLow-atHigh)))
			// A little to the side on which the rest is large: the next one closes the span.
			part += math.Copysign(0.04, 0.5-part)
		}
		x := low * math.Pow(high/low, part)
		if at := f(x); at <= 0 {
			low, atLow = x, at
		} else {
			high, atHigh = x, at
		}
	}
	return low, high
}

// most over the target that [Year.over] looks for: beyond, it is told only that it is far.
const far = 8

// over is how far the loss of load lies over the target, in logarithms, for a search: 0 is at it,
// and no more than ln [far] is told of what is beyond.
func (y *Year) over(years []Winter, t Try) float64 {
	stop := far * y.kit.Target
	const least = 1.0 / far
	return math.Log(max(least, min(far, y.lost(years, t, stop)/y.kit.Target)))
}

// LLP is the loss of load of all the years together.
func (y *Year) LLP(years []Winter, t Try) float64 { return y.lost(years, t, math.Inf(1)) }

// lost is the loss of load; beyond stop it is not worked out to its end.
func (y *Year) lost(years []Winter, t Try, stop float64) float64 {
	r := y.runner(t)
	most := stop * r.demand() * Days * float64(len(years))
	var asked, got float64
	for i := range years {
		at := walk{soc: 1}
		r.days(&years[i], &at, func(_ int, day *lived) bool {
			asked, got = asked+float64(day.asked), got+float64(day.got)
			return asked-got <= most
		})
		if asked-got > most {
			return stop
		}
	}
	if asked == 0 {
		return 0
	}
	return 1 - got/asked
}

// Verdict says in one sentence what a kit carries, and in which months it fails.
func (k *Kit) Verdict(o Outcome, carried float64) string {
	drawn := k.Load.Mean()
	able := fmt.Sprintf("this kit carries %s through the year at %s dark; you draw %s", watts(carried), percent(k.Target), watts(drawn))
	if o.LLP <= k.Target {
		if o.NightMean < 0.05 {
			return able + ": it stays lit"
		}
		return able + fmt.Sprintf(": it stays lit but for %s a year", nights(o.NightMean))
	}
	return able + fmt.Sprintf(": expect %s a year, %s", nights(o.NightMean), k.when(o))
}

func watts(w float64) string {
	switch {
	case w < 9.95:
		return fmt.Sprintf("%.1f W", w)
	case w < 100: // three digits, since half a watt of ten is a winter's difference
		return fmt.Sprintf("%.3g W", w)
	}
	return fmt.Sprintf("%.0f W", w)
}

func percent(x float64) string {
	switch x *= 100; {
	case x == 0:
		return "0 %"
	case x < 0.095:
		return fmt.Sprintf("%.2f %%", x)
	case x < 9.95 && math.Abs(x-math.Round(x)) > 0.04:
		return fmt.Sprintf("%.1f %%", x)
	}
	return fmt.Sprintf("%.0f %%", x)
}

func nights(n float64) string {
	switch {
	case n < 0.95:
		return fmt.Sprintf("a dark night every %.0f years, so %.1f", 1/n, n)
	case n < 1.5:
		return "one dark night"
	case n < 10:
		return fmt.Sprintf("about %.0f dark nights", n)
	}
	return fmt.Sprintf("some %.0f dark nights", n)
}

// when names the months that hold most of the dark hours.
func (k *Kit) when(o Outcome) string {
	worst, sum := 0, 0.0
	for m, x := range o.Months {
		sum += x.DarkMean
		if x.DarkMean > o.Months[worst].DarkMean {
			worst = m
		}
	}
	first, last := worst, worst
	in := o.Months[worst].DarkMean
	for in < 0.9*sum {
		before, after := (first+11)%12, (last+1)%12
		if o.Months[before].DarkMean >= o.Months[after].DarkMean {
			first = before
			in += o.Months[before].DarkMean
		} else {
			last = after
			in += o.Months[after].DarkMean
		}
		if (last-first+12)%12 >= 8 {
			return "at any time of the year"
		}
	}
	if first == last {
		return "nearly all in " + time.Month(first+1).String()
	}
	return fmt.Sprintf("nearly all from %s to %s", time.Month(first+1), time.Month(last+1))
}
