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
	low, high := 0.0, 1.0
	base := or1(t.Load)
	ok := func(scale float64) bool {
		t.Load = base * scale
		return y.LLP(years, t) <= y.kit.Target
	}
	for ok(high) && high < 64 {
		low, high = high, high*2
	}
	for high-low > 0.01*high && high > 1.0/512 {
		mid := (low + high) / 2
		if ok(mid) {
			low = mid
		} else {
			high = mid
		}
	}
	return max(0, drawn*base*low-t.Less)
}

// LLP is the loss of load of all the years together.
func (y *Year) LLP(years []Winter, t Try) float64 {
	r := y.runner(t)
	var asked, got float64
	for i := range years {
		a := r.year(&years[i], 1)
		asked, got = asked+a.Demand, got+a.Served
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
