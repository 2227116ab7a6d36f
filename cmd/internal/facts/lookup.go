package facts

import (
	"math"
	"strings"
)

// Index finds facts by their name. It never changes, so one serves for good.
type Index struct{ rows map[string]Row }

// NewIndex makes the index of [Table].
func NewIndex() Index {
	rows := map[string]Row{}
	for _, r := range Table() {
		if r.Fact != "" {
			rows[r.Fact] = r
		}
	}
	return Index{rows}
}

// Lookup gives the facts of a snapshot by the names that rules use: name, or
// name/instance for the fact of one source or peer. A fact that is not known, or that
// there is not, is not known. Hours beyond the horizon are known and infinite.
func (ix Index) Lookup(s *Snapshot) func(name string) (x float64, known bool) {
	return func(name string) (x float64, known bool) {
		fact, instance, _ := strings.Cut(name, "/")
		row, ok := ix.rows[fact]
		if !ok || s == nil {
			return 0, false
		}
		row.Each(s, func(v float64, labels ...string) {
			if strings.Join(labels, "/") == instance {
				x, known = v, true
			}
		})
		return x, known
	}
}

// Known tells whether a rule may use the name, and what names an instance of it: source,
// peer or another label; empty for a fact of the whole site.
func (ix Index) Known(name string) (instanceOf string, ok bool) {
	row, ok := ix.rows[name]
	return strings.Join(row.Labels, "/"), ok
}

// Row is the row of a fact, by its name without an instance.
func (ix Index) Row(fact string) (Row, bool) {
	row, ok := ix.rows[fact]
	return row, ok
}

// Range is what the fact, by its name with or without an instance, can be at least and at most.
func (ix Index) Range(name string) (least, most float64) {
	fact, _, _ := strings.Cut(name, "/")
	switch fact {
	case "hour":
		return 0, 24
	case "weekday":
		return 1, 7
	}
	switch ix.rows[fact].Unit {
	case "%": // a ratio; some are a little over 1, or below 0
		return -2, 2
	case "°C":
		return -90, 150
	case "s", "h", "V", "Wh":
		return 0, math.Inf(1)
	}
	return math.Inf(-1), math.Inf(1)
}

// Lookup is [Index.Lookup] with an index of its own; a loop keeps one instead.
func Lookup(s *Snapshot) func(name string) (x float64, known bool) {
	return NewIndex().Lookup(s)
}
