package history

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"math"
	"slices"
	"time"
)

// Series is the answer to a query: one row of numbers for each moment.
type Series struct {
	From, To   time.Time
	Step       time.Duration
	Resolution string // raw, 5m or 1h: what the numbers were made from
	Times      []time.Time
	Columns    []Column
	// Joules are the energies in each step, by flow; nil for raw samples.
	Joules map[string][]float64
	// Damaged counts rows that were left out because their checksum was wrong.
	Damaged int64
}

// Column is one series. What is not known is NaN.
type Column struct {
	Name           string
	Min, Mean, Max []float64
}

// Column finds a series by its name; nil when there is none.
func (s Series) Column(name string) *Column {
	i := slices.IndexFunc(s.Columns, func(c Column) bool { return c.Name == name })
	if i < 0 {
		return nil
	}
	return &s.Columns[i]
}

// Query says what to look up. Names picks columns; empty: all.
type Query struct {
	From, To time.Time
	Points   int // at most; 0: 500
	Names    []string
}

// Bounds of a query.
const (
	defaultPoints = 500
	maxPoints     = 5000
)

func (q Query) check() (Query, error) {
	if q.Points == 0 {
		q.Points = defaultPoints
	}
	switch {
	case !q.To.After(q.From):
		return q, fmt.Errorf("cannot look up the history: it ends at %s, not after its start at %s", q.To.Format(time.RFC3339), q.From.Format(time.RFC3339))
	case q.Points < 1 || q.Points > maxPoints:
		return q, fmt.Errorf("cannot look up the history: points are %d, must be 1 to %d", q.Points, maxPoints)
	}
	return q, nil
}

// Lookup answers a query with at most as many rows as it wants points, each the sum of a
// step. It asks the goroutine that owns the file, and so may wait for a batch.
func (s *Store) Lookup(ctx context.Context, q Query) (Series, error) {
	q, err := q.check()
	if err != nil {
		return Series{}, err
	}
	cols := s.cols
	if len(q.Names) > 0 {
		for _, n := range q.Names {
			if !slices.ContainsFunc(cols, func(c column) bool { return c.name == n }) {
				return Series{}, fmt.Errorf("cannot look up the history: there is no column %q", n)
			}
		}
	}
	return ask(ctx, s, func(w *writer) (Series, error) { return w.lookup(q) })
}

// Empty tells whether nothing was ever recorded.
func (s *Store) Empty(ctx context.Context) (bool, error) {
	return ask(ctx, s, func(w *writer) (bool, error) {
		if w.db == nil {
			return false, errors.New(w.cannot())
		}
		var rows int
		err := w.db.QueryRow("SELECT count(*) FROM (SELECT 1 FROM (SELECT 1 FROM raw LIMIT 1) UNION ALL SELECT 1 FROM (SELECT 1 FROM undated LIMIT 1) UNION ALL SELECT 1 FROM (SELECT 1 FROM hours LIMIT 1))").Scan(&rows)
		return rows == 0, err
	})
}

// Damaged counts the rows whose checksum was wrong since the file was opened.
func (s *Store) Damaged(ctx context.Context) (int64, error) {
	return ask(ctx, s, func(w *writer) (int64, error) { return w.damaged, nil })
}

// Newest is just after the newest sample, by the node's own clock; now when there is none.
func (s *Store) Newest(ctx context.Context) (time.Time, error) {
	return ask(ctx, s, func(w *writer) (time.Time, error) {
		newest := w.newest
		for t := range w.waiting() {
			newest = max(newest, t)
		}
		if newest == 0 {
			return time.Now(), nil
		}
		return time.UnixMilli(newest + 1), nil
	})
}

// lookup picks the coarsest table that still gives the points, and fills up from what
// still waits in memory.
func (w *writer) lookup(q Query) (Series, error) {
	from, to := q.From.UnixMilli(), q.To.UnixMilli()
	step := (to - from + int64(q.Points) - 1) / int64(q.Points)
	b := &buckets{w: w, from: from, step: max(step, 1), sums: map[int64]*sums{}}
	src, name, span := w.raw, "raw", int64(0)
	for i, r := range w.rolls {
		if step >= r.span {
			src, name, span = r.table, [2]string{"5m", "1h"}[i], r.span
		}
	}
	if span > 0 { // whole spans to a step
		b.step = (b.step + span - 1) / span * span
		b.from = floor(from, span)
	}
	before := w.damaged
	rest := b.from
	if w.db != nil {
		if span > 0 {
			if err := b.rolled(src, &rest, to); err != nil {
				return Series{}, fmt.Errorf("cannot read %s: %w", w.o.Path, err)
			}
		}
		if err := w.each(w.db, w.raw, "WHERE t >= ? AND t < ?", func(r row) error {
			b.at(r.key[0]).addSample(w.cols, r.cells)
			return nil
		}, rest, to); err != nil {
			return Series{}, fmt.Errorf("cannot read %s: %w", w.o.Path, err)
		}
	}
	for t, cells := range w.waiting() {
		if t >= from && t < to {
			b.at(t).addSample(w.cols, cells)
		}
	}
	out := b.series(q, name)
	out.Damaged = w.damaged - before
	return out, nil
}

// waiting gives the samples that are not on the card yet and whose time is known.
func (w *writer) waiting() iter.Seq2[int64, []int64] {
	times, _ := w.date(w.pending)
	return func(yield func(int64, []int64) bool) {
		for i, x := range w.pending {
			if x.note == nil && times[i] != 0 && !yield(times[i], x.cells) {
				return
			}
		}
	}
}

// buckets gathers rows into steps.
type buckets struct {
	w          *writer
	from, step int64
	sums       map[int64]*sums
}

func (b *buckets) at(t int64) *sums {
	k := (t - b.from) / b.step
	if b.sums[k] == nil {
		b.sums[k] = newSums(len(b.w.cols))
	}
	return b.sums[k]
}

// rolled adds the sums of whole spans, first the asked for and then the finer, and says in
// rest from where only samples know.
func (b *buckets) rolled(src table, rest *int64, to int64) error {
	tables := []table{src}
	if src.name == b.w.rolls[1].name {
		tables = append(tables, b.w.rolls[0].table)
	}
	for _, t := range tables {
		span := b.w.rolls[0].span
		if t.name == b.w.rolls[1].name {
			span = b.w.rolls[1].span
		}
		next := *rest
		if err := b.w.each(b.w.db, t, "WHERE t >= ? AND t < ? ORDER BY t", func(r row) error {
			b.at(r.key[0]).addSums(r.cells)
			next = r.key[0] + span
			return nil
		}, *rest, to); err != nil {
			return err
		}
		*rest = next
	}
	return nil
}

func (b *buckets) series(q Query, name string) Series {
	keys := make([]int64, 0, len(b.sums))
	for k := range b.sums {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	out := Series{From: q.From, To: q.To, Step: time.Duration(b.step) * time.Millisecond, Resolution: name, Joules: map[string][]float64{}}
	for _, k := range keys {
		out.Times = append(out.Times, time.UnixMilli(b.from+k*b.step).UTC())
		for f, flow := range flows() {
			j := math.NaN()
			if b.sums[k].known[f] {
				j = b.sums[k].joules[f]
			}
			out.Joules[flow] = append(out.Joules[flow], j)
		}
	}
	for i, c := range b.w.cols {
		if len(q.Names) > 0 && !slices.Contains(q.Names, c.name) {
			continue
		}
		col := Column{Name: c.name}
		for _, k := range keys {
			lo, mean, hi := math.NaN(), math.NaN(), math.NaN()
			if x := b.sums[k].of[i]; x.weight > 0 {
				lo, mean, hi = c.load(x.min), x.total/x.weight/c.scale, c.load(x.max)
			}
			col.Min, col.Mean, col.Max = append(col.Min, lo), append(col.Mean, mean), append(col.Max, hi)
		}
		out.Columns = append(out.Columns, col)
	}
	return out
}
