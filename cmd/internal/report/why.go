package report

import "time"

// WhyInput is what an outage is judged from.
type WhyInput struct {
	Input
	Outage Spell
	Back   bool // it has come back by now
	// ClockSet is by how much the wall clock was set during or right after the outage; a
	// hole in the record as long as that is no outage at all.
	ClockSet time.Duration
}
