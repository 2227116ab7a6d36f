// Package cost measures what the daemon itself costs the board: processor time, wake-ups,
// memory and bytes written, from what the kernel counts (proc(5) of the Linux manual pages), and
// bytes sent, which [Sent] counts.
//
// In: what the kernel counts of this process. Out: numbers for the table of facts.
package cost
