package facts

import (
	"fmt"
	"strings"
)

// LabelNames are the names of all labels of the row's metric, fixed ones first.
func (r Row) LabelNames() []string {
	var names []string
	for _, l := range r.Fixed {
		names = append(names, l.Name)
	}
	return append(names, r.Labels...)
}

// MetricsTable is the table of metrics in Markdown, made from [Table], for the README.
func MetricsTable() string {
	var b strings.Builder
	b.WriteString("| metric | type | labels | meaning |\n|---|---|---|---|\n")
	seen := ""
	for _, r := range Table() {
		if r.Metric == "" || r.Metric == seen {
			continue
		}
		seen = r.Metric
		fmt.Fprintf(&b, "| `%s%s` | %s | %s | %s |\n", Prefix, r.Metric, r.Type, strings.Join(r.LabelNames(), ", "), r.Help)
	}
	return b.String()
}
