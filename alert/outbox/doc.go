// Package outbox keeps notices until each channel has taken them. It is a pure state
// machine: the caller persists the [State] that [Box.Due] gave before it sends, and the one
// that [Box.Done] gave before it asks again what is due. So every notice arrives at least once
// whenever the process may die, and a repeat carries the same id.
//
// In: notices, the time, how deliveries went. Out: what is due for which channel.
//
// What is critical goes first; else the order is that of time, and within one subject always,
// so that the last word of a channel is the newest. What could not be sent for a while is
// merged, so that after a day without a link one message an alarm arrives, not forty.
package outbox
