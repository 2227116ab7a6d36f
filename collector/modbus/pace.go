package modbus

import "time"

const (
	paceFew   = 8                      // answers before what was learned is believed
	paceFloor = 300 * time.Millisecond // never wait less: devices, adapters and schedulers have hiccups
	paceRoof  = 5 * time.Second
)

// pace learns how long one unit takes to begin an answer. A device that answers in 10 ms
// need not hold up the others on its line for a second each time that it sleeps; one that
// sometimes needs 0.6 s must be given that.
type pace struct {
	first   time.Duration // how long to wait before anything was learned, as declared
	guess   time.Duration // the same, after late answers; 0 without any
	worst   time.Duration // of what was seen, fading slowly
	mean    time.Duration // of about the last sixteen
	answers int
	missed  int // in a row
}

// wait is how long to wait for the beginning of an answer.
func (p *pace) wait() time.Duration {
	first := max(p.first, p.guess)
	w := first
	if p.answers >= paceFew {
		w = min(max(3*p.worst+50*time.Millisecond, min(paceFloor, p.first)), p.roof())
	}
	// After each miss wait twice as long, back to the first guess: a device that has become
	// slow is learned again, a dead one costs no more than a fresh one.
	for range min(p.missed, 4) {
		if w < first {
			w = min(2*w, first)
		}
	}
	return w
}

// roof is the longest that is ever waited.
func (p *pace) roof() time.Duration { return max(p.first, min(4*p.first, paceRoof)) }

// usual is a fair guess of the time to an answer, for planning.
func (p *pace) usual() time.Duration {
	if p.answers < paceFew {
		return 10 * time.Millisecond
	}
	return p.mean
}

func (p *pace) answered(took time.Duration) {
	if p.answers++; p.mean == 0 {
		p.mean = took
	}
	p.mean += (took - p.mean) / 16
	p.missed = 0
	// The worst of about the last thousand: 1/e in a thousand answers.
	p.worst = max(took, p.worst-p.worst/1000)
}

func (p *pace) miss() { p.missed++ }

// late is how long after a question its answer can come at all.
func (p *pace) late() time.Duration { return min(lateTimes*p.first, lateFor) }

// tardy is told when an answer came after it was given up: wait twice as long, and learn
// anew. How late it was is not known, since it may have lain in a buffer; later than what
// was waited, in any case.
func (p *pace) tardy() {
	p.worst = max(p.worst, p.wait())
	p.guess = min(2*p.wait(), p.roof())
	p.answers = 0
}
