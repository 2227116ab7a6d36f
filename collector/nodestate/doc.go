// Package nodestate is the one schema of what a node says of itself: the answer of
// /api/v1/state. The node's facts fill it in; peers, the watcher at home and `status` read it
// with the one reader below. It lies here, below all of them and importing none, because a
// source may import nothing but other parts of collector.
//
// In: JSON, or the facts of a node. Out: one struct.
package nodestate
