package facts

import "strings"

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

// Lookup is [Index.Lookup] with an index of its own; a loop keeps one instead.
func Lookup(s *Snapshot) func(name string) (x float64, known bool) {
	return NewIndex().Lookup(s)
}
