package estimator

import (
	"time"

	"ebbwatch/collector/reading"
)

// Mark is a remembered [reading.Stamp]. It holds plain numbers, so that it comes back from
// JSON bit for bit.
type Mark struct {
	Set       bool          // there was a reading
	Foreign   bool          // Mono belongs to an earlier process
	Mono      time.Duration // of the last reading that was used
	WallNanos int64         // Unix time of that reading
	Trusted   bool          // the wall clock was known to be right
	Late      time.Duration // Mono of the last reading that was put aside
	LateSet   bool
}

// passage says how a reading follows the one before it.
type passage uint8

const (
	first    passage = iota // nothing to compare with
	follows                 // the time between is known
	restarts                // a new process; the time between is not known
	ignored                 // a duplicate or late reading
)

// longestGap bounds what one gap may claim, so that a wall clock that was wrong while it
// was trusted cannot empty the battery on paper for ever.
const longestGap = 90 * 24 * time.Hour

// pass compares a reading's stamp with the mark, moves the mark on, and gives the time
// between. Within one process only the monotonic clock counts. Across a restart the wall
// clock serves if it was trusted on both sides.
func (m *Mark) pass(at reading.Stamp) (time.Duration, passage) {
	switch {
	case !m.Set:
		m.set(at)
		return 0, first
	case m.Foreign || m.restarted(at):
		dt, known := m.wallSince(at)
		m.set(at)
		if !known {
			return 0, restarts
		}
		return min(dt, longestGap), follows
	case at.Mono <= m.Mono:
		m.Late, m.LateSet = at.Mono, true
		return 0, ignored
	}
	dt := at.Mono - m.Mono
	m.set(at)
	return min(dt, longestGap), follows
}

// restarted tells a new process that nobody told about from a late reading: its monotonic
// clock starts again, and either the trusted wall clock went on, or readings keep coming in
// order on the new count.
func (m *Mark) restarted(at reading.Stamp) bool {
	if at.Mono >= m.Mono {
		return false
	}
	if m.Trusted && at.Trusted {
		return at.Wall.UnixNano() > m.WallNanos
	}
	return m.LateSet && at.Mono > m.Late
}

func (m *Mark) wallSince(at reading.Stamp) (time.Duration, bool) {
	dt := at.Wall.UnixNano() - m.WallNanos
	return time.Duration(dt), m.Trusted && at.Trusted && dt >= 0
}

func (m *Mark) set(at reading.Stamp) {
	*m = Mark{Set: true, Mono: at.Mono, WallNanos: at.Wall.UnixNano(), Trusted: at.Trusted}
}
