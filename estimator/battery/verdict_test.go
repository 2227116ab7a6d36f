package battery

import (
	"fmt"
	"math"
	"slices"
	"testing"

	"ebbwatch/collector/reading"
)

// tally collects errors of one estimate.
type tally struct {
	abs    []float64
	square float64
}

func (t *tally) add(e float64) {
	t.abs = append(t.abs, math.Abs(e))
	t.square += e * e
}

func (t *tally) rms() float64 { return math.Sqrt(t.square / float64(max(len(t.abs), 1))) }

func (t *tally) at(q float64) float64 { return quantile(t.abs, q) }

func (t *tally) join(o tally) {
	t.abs = append(t.abs, o.abs...)
	t.square += o.square
}

func quantile(x []float64, q float64) float64 {
	if len(x) == 0 {
		return math.NaN()
	}
	x = slices.Clone(x)
	slices.Sort(x)
	return x[min(int(q*float64(len(x))), len(x)-1)]
}

// verdict is what a study keeps of a node, or of many.
type verdict struct {
	recent, all    tally // of the belief: with a true full within ten days, and ever
	counter, table tally // of a plain counter with resets, and of a voltage table
	inside, hours  float64
	widths         []float64
}

// judge takes the belief and its rivals at one hour.
func (v *verdict) judge(truth, volts float64, b Belief, counted float64, recent bool) {
	v.all.add(b.SoC - truth)
	if recent {
		v.recent.add(b.SoC - truth)
	}
	v.counter.add(counted - truth)
	v.table.add(tableSoC(volts) - truth)
	v.hours++
	if truth >= b.Low && truth <= b.High {
		v.inside++
	}
	v.widths = append(v.widths, b.High-b.Low)
}

func (v *verdict) join(o verdict) {
	v.recent.join(o.recent)
	v.all.join(o.all)
	v.counter.join(o.counter)
	v.table.join(o.table)
	v.widths = append(v.widths, o.widths...)
	v.inside += o.inside
	v.hours += o.hours
}

func (v *verdict) cover() float64 { return v.inside / max(v.hours, 1) }

func (v *verdict) String() string {
	return fmt.Sprintf("full within 10 days: rms %.3f p95 %.3f · all: rms %.3f p95 %.3f · band holds %.3f, median width %.3f · counter rms %.3f p95 %.3f · table rms %.3f p95 %.3f",
		v.recent.rms(), v.recent.at(.95), v.all.rms(), v.all.at(.95), v.cover(), quantile(v.widths, .5),
		v.counter.rms(), v.counter.at(.95), v.table.rms(), v.table.at(.95))
}

// limits are what a study must keep.
type limits struct{ recent, recent95, all, all95, coverLeast, coverMost, width float64 }

// promised is what the project promises for twenty nodes over three years.
func promised() limits { return limits{0.03, 0.06, 0.05, 0.12, 0.85, 0.95, 0.10} }

func (v *verdict) check(t *testing.T, l limits) {
	t.Helper()
	for _, c := range []struct {
		what      string
		x, lo, hi float64
	}{
		{"rms error with a recent full", v.recent.rms(), 0, l.recent},
		{"95th percentile with a recent full", v.recent.at(.95), 0, l.recent95},
		{"rms error", v.all.rms(), 0, l.all},
		{"95th percentile", v.all.at(.95), 0, l.all95},
		{"share inside the 90 % band", v.cover(), l.coverLeast, l.coverMost},
		{"median width of the band", quantile(v.widths, .5), 0, l.width},
		{"rms error against half the better rival's", v.all.rms(), 0, min(v.counter.rms(), v.table.rms()) / 2},
	} {
		if !(c.x >= c.lo && c.x <= c.hi) {
			t.Errorf("%s: %.3f, want %.3f to %.3f", c.what, c.x, c.lo, c.hi)
		}
	}
}

// plainCounter is what a simple meter does: count, and jump to full when it looks full.
type plainCounter struct{ x, label float64 }

func (c *plainCounter) step(r *reading.Reading, hours float64) {
	f := flowOf(r, 4)
	c.x = min(max(c.x+f.net()*hours/c.label, 0), 1)
	if f.voltsKnown && f.volts > 13.8 && f.net() < c.label/25 {
		c.x = 1
	}
}

// tableSoC is a rest-voltage chart of the common kind, which simple meters use as it is.
func tableSoC(volts float64) float64 {
	at := []float64{10, 12, 12.5, 12.8, 12.9, 13.0, 13.1, 13.2, 13.3, 13.4, 13.6}
	to := []float64{0, .09, .14, .17, .2, .3, .4, .7, .9, .99, 1}
	for k := 1; k < len(at); k++ {
		if volts < at[k] {
			return max(to[k-1]+(to[k]-to[k-1])*(volts-at[k-1])/(at[k]-at[k-1]), 0)
		}
	}
	return 1
}
