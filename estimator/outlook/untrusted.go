package outlook

import (
	"math"

	"ebbwatch/collector/reading"
	"ebbwatch/estimator/battery"
)

// learnUntimed follows the level of the load alone, for as long as nobody knows the hour:
// a board whose clock was never set still learns how fast its battery empties.
func (m Model) learnUntimed(s *State, r *reading.Reading, b battery.Belief, hours float64) {
	f := m.flowsOf(s, r, b, m.local(r.Wall), false)
	switch l := &s.Load; {
	case math.IsNaN(f.load) || f.load <= 0 || m.loadIsOff(s, r, b, f.load):
	case l.Level == 0:
		l.Level, l.Var = f.load, 0.01
	case l.Days == 0:
		l.Level += min(1, hours/24) * (f.load - l.Level)
	}
}
