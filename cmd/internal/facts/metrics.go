package facts

// LabelNames are the names of all labels of the row's metric, fixed ones first.
func (r Row) LabelNames() []string {
	var names []string
	for _, l := range r.Fixed {
		names = append(names, l.Name)
	}
	return append(names, r.Labels...)
}
