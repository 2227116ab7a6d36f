// Package core is the whole thinking of a watched node: reports and the time go in, notices
// and snapshots come out. It asks no clock, file or network, so that run, demo, replay and the
// back-test share it and months are lived through in seconds. Package daemon is the loop
// around it.
//
// In: reports, requests, the time. Out: notices, a snapshot, and what to keep.
package core
