package modbus

import (
	"math/rand/v2"
	"time"
)

const (
	trafficFor   = 10 * time.Minute       // another master counts as present after its last frame
	trafficQuiet = 100 * time.Millisecond // its question and the answer to it are over by then
	trafficRoof  = time.Minute
)

// traffic is what is known of other masters on a line: frames that nobody here asked for.
// A line can have one master only; since the owner's other logger will not give way, we do.
// One frame may be noise that looks like one; two are a master and its device.
type traffic struct {
	frames   int // heard so far
	doubtful int // heard, but not yet believed
	sure     bool
	last     time.Time
	level    int
	hold     time.Time // nothing is asked before
}

func (t *traffic) heard(frames int, now time.Time) {
	if frames == 0 {
		return
	}
	if now.Sub(t.last) >= trafficFor {
		t.sure, t.doubtful = false, 0
	}
	t.last = now
	t.doubtful += frames
	if t.sure = t.sure || t.doubtful >= 2; t.sure {
		t.frames += t.doubtful
		t.doubtful = 0
	}
}

func (t *traffic) present(now time.Time) bool {
	return t.sure && now.Sub(t.last) < trafficFor
}

// silence is how long the line must have been silent before a question.
func (t *traffic) silence(now time.Time) time.Duration {
	if t.present(now) {
		return trafficQuiet
	}
	return 0
}

// collided is told when an exchange failed. With another master about, that is most likely
// a collision: keep off the line for a while, twice as long each time, and never in step.
func (t *traffic) collided(now time.Time) {
	if !t.present(now) {
		return
	}
	d := min(time.Second<<min(t.level, 10), trafficRoof)
	t.level++
	t.hold = now.Add(d/2 + rand.N(d/2))
}

// clean is told when an exchange went well.
func (t *traffic) clean() { t.level = max(0, t.level-1) }
