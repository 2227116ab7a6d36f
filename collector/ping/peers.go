package ping

import "slices"

// Peers lists the names of the hosts, in order.
func (s *source) Peers() []string { return slices.Clone(s.names) }
