package battery

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
	SeenNanos int64         // Unix time of the last reading whose clock was right; 0 for none
	Ran       time.Duration // known to have passed since then
	Lost      bool          // and besides a silence of unknown length, over a restart
	Began     time.Duration // Mono of the first reading after it
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
		m.set(at, 0)
		return 0, first
	case m.Foreign || m.restarted(at):
		dt, known := m.wallSince(at)
		m.Lost, m.Began = m.Lost || !known && m.SeenNanos != 0, at.Mono
		m.set(at, 0)
		if !known {
			return 0, restarts
		}
		return min(dt, longestGap), follows
	case at.Mono <= m.Mono:
		m.Late, m.LateSet = at.Mono, true
		return 0, ignored
	}
	dt := at.Mono - m.Mono
	m.set(at, dt)
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

func (m *Mark) set(at reading.Stamp, dt time.Duration) {
	seen, ran := m.SeenNanos, m.Ran+dt
	if at.Trusted && !m.Lost {
		seen, ran = at.Wall.UnixNano(), 0
	}
	*m = Mark{
		Set: true, Mono: at.Mono, WallNanos: at.Wall.UnixNano(), Trusted: at.Trusted,
		SeenNanos: seen, Ran: ran, Lost: m.Lost, Began: m.Began,
	}
}

// missed is how long the silence over a restart was, told by the first right clock after it,
// and since when readings came again. It tells it once.
func (m *Mark) missed(at reading.Stamp) (silence, since time.Duration) {
	if !m.Lost || !at.Trusted {
		return 0, 0
	}
	silence = time.Duration(at.Wall.UnixNano()-m.SeenNanos) - m.Ran
	m.Lost, m.SeenNanos, m.Ran = false, at.Wall.UnixNano(), 0
	return min(silence, longestGap), at.Mono - m.Began
}
