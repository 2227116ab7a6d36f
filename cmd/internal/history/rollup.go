package history

import (
	"database/sql"
	"maps"
	"math"
	"slices"
)

// rollUp makes the sums of every hour that is over and that the moments fall into: of its five
// minutes from the samples, and of itself from those. An hour that is not over is left until it
// is, its five minutes too: whoever looks before that adds up the samples, and the card is spared
// a write.
func (w *writer) rollUp(tx *sql.Tx, touched map[int64]bool, newest int64) error {
	five, hour := w.rolls[0], w.rolls[1]
	hours := map[int64]bool{}
	if w.newest > 0 {
		hours[floor(w.newest, hour.span)] = true // it may have been open until now
	}
	for t := range touched {
		hours[floor(t, hour.span)] = true
	}
	for _, from := range slices.Sorted(maps.Keys(hours)) {
		if from+hour.span > newest {
			continue
		}
		for t := from; t < from+hour.span; t += five.span {
			if err := w.rollOne(tx, five, t, w.raw); err != nil {
				return err
			}
		}
		if err := w.rollOne(tx, hour, from, five.table); err != nil {
			return err
		}
	}
	return nil
}

// floor is the beginning of the span that a moment falls into.
func floor(t, span int64) int64 { return t - ((t%span)+span)%span }

func (w *writer) rollOne(tx *sql.Tx, to roll, from int64, src table) error {
	sum := newSums(len(w.cols))
	err := w.each(tx, src, "WHERE t >= ? AND t < ? ORDER BY t", func(r row) error {
		if src.name == w.raw.name {
			sum.addSample(w.cols, r.cells)
		} else {
			sum.addSums(r.cells)
		}
		return nil
	}, from, from+to.span)
	if err != nil || sum.n == 0 {
		return err
	}
	_, err = tx.Exec(to.insert("INSERT OR REPLACE"), to.args(row{[]int64{from}, sum.cells()})...)
	return err
}

// sums gathers rows into one.
type sums struct {
	n      int64
	joules [4]float64
	known  [4]bool
	of     []span
}

// span is what is known of one column over a span.
type span struct {
	weight   float64
	total    float64
	min, max int64
}

func newSums(n int) *sums { return &sums{of: make([]span, n)} }

func (x *span) add(lo, hi int64, mean, weight float64) {
	if x.weight == 0 {
		x.min, x.max = lo, hi
	}
	x.min, x.max = min(x.min, lo), max(x.max, hi)
	x.total += mean * weight
	x.weight += weight
}

// addSample adds one sample: every value weighs the same.
func (s *sums) addSample(cs []column, cells []int64) {
	s.n++
	for i := range cs {
		if v := cells[lead+i]; v != absent {
			s.of[i].add(v, v, float64(v), 1)
		}
	}
	s.addJoules(cells[cellFlows:lead])
}

func (s *sums) addJoules(cells []int64) {
	for f, v := range cells {
		if v != absent {
			s.joules[f] += float64(v)
			s.known[f] = true
		}
	}
}

// addSums adds a row that is sums itself, weighed by its number of samples.
func (s *sums) addSums(cells []int64) {
	n := cells[0]
	s.n += n
	s.addJoules(cells[1:5])
	for i := range s.of {
		c := cells[5+3*i:]
		if c[0] != absent && c[1] != absent && c[2] != absent {
			s.of[i].add(c[0], c[2], float64(c[1]), float64(n))
		}
	}
}

// cells are what the row of sums holds.
func (s *sums) cells() []int64 {
	cells := []int64{s.n}
	for f, j := range s.joules {
		v := int64(absent)
		if s.known[f] {
			v = int64(math.Round(j))
		}
		cells = append(cells, v)
	}
	for _, x := range s.of {
		if x.weight == 0 {
			cells = append(cells, absent, absent, absent)
			continue
		}
		cells = append(cells, x.min, int64(math.Round(x.total/x.weight)), x.max)
	}
	return cells
}
