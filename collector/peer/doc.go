// Package peer asks other nodes that run ebbwatch how they are: whether they answer, how
// full they believe their battery to be, and how long the way there is. It reads their
// /api/v1/state and relies on these fields of it alone, all of which may be missing: site,
// at, and battery.soc.
//
// In: addresses of nodes. Out: for each, whether it answers, its round trip, its charge.
package peer
