// Package collector reads what a node's instruments say. A [Source] is one way of
// measuring; each has a folder of its own below this one, and a row in the wiring of
// cmd/ebbwatch. Sources only read: nothing here writes to a device.
//
// In: a source and its period. Out: a [Report] for each poll.
package collector
