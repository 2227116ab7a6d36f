// Package status tells the state of a node on one screen of a terminal.
//
// In: the state as JSON. Out: lines of text and an exit code.
package status
