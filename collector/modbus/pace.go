package modbus

import "time"

const (
	paceFew   = 8                      // answers before what was learned is believed
	paceFloor = 100 * time.Millisecond // never wait less: schedulers and adapters hold bytes back
	paceRoof  = 5 * time.Second
)

// pace learns how long one unit takes to begin an answer. A device that answers in 10 ms
// need not hold up the others on its line for a second each time that it sleeps; one that
// sometimes needs 0.6 s must be given that.
type pace struct {
	first   time.Duration // how long to wait before anything was learned
	worst   time.Duration // of what was seen, fading slowly
	answers int
	missed  int // in a row
}

// wait is how long to wait for the beginning of an answer.
func (p *pace) wait() time.Duration {
	w := p.first
	if p.answers >= paceFew {
		w = max(3*p.worst+50*time.Millisecond, min(paceFloor, p.first))
	}
	// After each miss wait twice as long, back to the first guess: a device that has become
	// slow is learned again, a dead one costs no more than a fresh one.
	for range min(p.missed, 4) {
		if w < p.first {
			w = min(2*w, p.first)
		}
	}
	return min(w, max(paceRoof, p.first))
}

// usual is a fair guess of the time to an answer, for planning.
func (p *pace) usual() time.Duration {
	if p.answers < paceFew {
		return 10 * time.Millisecond
	}
	return p.worst / 2
}

func (p *pace) answered(took time.Duration) {
	p.answers++
	p.missed = 0
	// The worst of about the last thousand: 1/e in a thousand answers.
	p.worst = max(took, p.worst-p.worst/1000)
}

func (p *pace) miss() { p.missed++ }

// late is told when an answer came after it was given up.
func (p *pace) late(took time.Duration) { p.worst = min(max(p.worst, took), paceRoof) }
