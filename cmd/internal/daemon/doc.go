// Package daemon is the loop around the core of a watched node: it polls the sources, reads the
// clock, keeps the state, hands notices to their senders and takes the owner's requests. In
// come reports and requests, out go snapshots, notices and what is kept; what they mean is for
// package core to say.
//
// In: what sources and channels answer. Out: polls, deliveries, saved state, snapshots.
package daemon
