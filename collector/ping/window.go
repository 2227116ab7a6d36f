package ping

import (
	"math"
	"slices"
	"time"

	"ebbwatch/collector/reading"
)

// window keeps the outcomes of the last polls of one host.
type window struct {
	size  int
	polls []outcome // oldest first
}

func (w *window) add(o outcome) {
	if len(w.polls) >= w.size {
		w.polls = slices.Delete(w.polls, 0, len(w.polls)-w.size+1)
	}
	w.polls = append(w.polls, o)
}

// values reads the window out. A host that did not answer at this poll has no round trip.
func (w *window) values(name string, up bool) []reading.Value {
	var rtts []float64
	lost := 0
	for _, p := range w.polls {
		lost += p.lost
		for _, r := range p.rtts {
			rtts = append(rtts, r.Seconds())
		}
	}
	var out []reading.Value
	add := func(q reading.Quantity, x float64) {
		if !math.IsNaN(x) {
			out = append(out, reading.Value{Quantity: q, Of: name, X: x})
		}
	}
	add(reading.PeerLossRatio, float64(lost)/float64(lost+len(rtts)))
	if !up {
		add(reading.PeerUp, 0)
		return out
	}
	add(reading.PeerUp, 1)
	add(reading.PeerJitterSeconds, jitter(w.polls))
	slices.Sort(rtts)
	add(reading.PeerRTTSeconds, quantile(rtts, 0.5))
	add(reading.PeerRTTP95Seconds, quantile(rtts, 0.95))
	return out
}

// quantile interpolates between the sorted values; NaN when there are none.
func quantile(sorted []float64, p float64) float64 {
	if len(sorted) == 0 {
		return math.NaN()
	}
	at := p * float64(len(sorted)-1)
	low := int(at)
	high := min(low+1, len(sorted)-1)
	return sorted[low] + (sorted[high]-sorted[low])*(at-float64(low))
}

// jitter is the mean change between answers that follow one another, seconds; NaN with
// fewer than two.
func jitter(polls []outcome) float64 {
	var sum time.Duration
	last, n := time.Duration(-1), 0
	for _, p := range polls {
		for _, r := range p.rtts {
			if last >= 0 {
				sum += max(r-last, last-r)
				n++
			}
			last = r
		}
	}
	if n == 0 {
		return math.NaN()
	}
	return sum.Seconds() / float64(n)
}
