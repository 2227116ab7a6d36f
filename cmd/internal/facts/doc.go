// Package facts holds what the daemon knows at one moment, and the one table of facts: a
// row is at once a metric, a line of the page and a name that a rule may use.
//
// In: the parts of a [Snapshot]. Out: rows, the headline, the state of knowledge, the state as
// JSON.
package facts
