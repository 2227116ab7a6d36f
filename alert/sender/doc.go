// Package sender empties the outbox: one goroutine for each channel, so that one that hangs
// delays no other. In come notices, out go deliveries and how they went; the caller keeps
// [Outgoing.State] durably between the two.
package sender
