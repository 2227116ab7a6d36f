// Package web shows what the daemon knows over HTTP: the page, the metrics, the state, the
// history and whether the daemon is well. It only reads, takes what it shows from
// immutable snapshots, and so never waits for a wire or makes the node wait.
//
// In: snapshots. Out: answers over HTTP.
package web
