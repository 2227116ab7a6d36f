package cost

import (
	"errors"
	"fmt"
	"math"
	"time"

	"github.com/prometheus/procfs"
)

// Use is what a process has used since its start. What the kernel does not say is NaN.
type Use struct {
	CPUSeconds    float64 // user and system
	ResidentBytes float64
	Wakeups       float64 // voluntary context switches of the threads that live
	WrittenBytes  float64 // caused to be sent to the storage layer, less what was cancelled
	SentBytes     float64 // over the network; the kernel does not say, see [Sent]
}

// Read asks the kernel, through the file system mounted on proc, which is /proc, about a
// process. What can be read counts even beside an error.
func Read(proc string, pid int) (Use, error) {
	u := Use{math.NaN(), math.NaN(), math.NaN(), math.NaN(), math.NaN()}
	kernel, err := procfs.NewFS(proc)
	if err != nil {
		return u, fmt.Errorf("cannot read what process %d costs: %w", pid, err)
	}
	p, err := kernel.Proc(pid)
	if err != nil {
		return u, fmt.Errorf("cannot read what process %d costs: %w", pid, err)
	}
	stat, err := p.Stat()
	if err == nil {
		u.CPUSeconds, u.ResidentBytes = stat.CPUTime(), float64(stat.ResidentMemory())
	}
	io, errIO := p.IO()
	if errIO == nil {
		u.WrittenBytes = max(0, float64(io.WriteBytes)-float64(io.CancelledWriteBytes))
	}
	var errWakeups error
	u.Wakeups, errWakeups = wakeups(kernel, pid)
	if err = errors.Join(err, errIO, errWakeups); err != nil {
		return u, fmt.Errorf("cannot read all that process %d costs: %w", pid, err)
	}
	return u, nil
}

// wakeups adds up the threads. One that ends meanwhile takes its count with it.
func wakeups(kernel procfs.FS, pid int) (float64, error) {
	threads, err := kernel.AllThreads(pid)
	if err != nil {
		return math.NaN(), err
	}
	sum, seen := 0.0, false
	for _, t := range threads {
		if s, err := t.NewStatus(); err == nil {
			sum, seen = sum+float64(s.VoluntaryCtxtSwitches), true
		}
	}
	if !seen {
		return math.NaN(), errors.New("no thread tells of its switches")
	}
	return sum, nil
}

// Meter keeps the figures of a running process: totals since the start, and what they come
// to a second or a day of late. It is used by one goroutine; the zero Meter is ready.
type Meter struct {
	kept   []sample // oldest first, a minute apart or more
	offset float64  // wake-ups of threads that have ended, at least
}

type sample struct {
	at  time.Duration
	use Use
}

// Spans over which the rates are taken.
const (
	short = 10 * time.Minute
	long  = 24 * time.Hour
	day   = long - time.Hour // of the kept samples one is older than this, after a day
	apart = time.Minute
)

// Take notes what is used at a moment of the monotonic clock, and gives the facts that are
// known. Rates are known after a minute. Those of a day are, until a day is over, what was written
// and sent so far: a start is busier than a day.
func (m *Meter) Take(at time.Duration, u Use) map[string]float64 {
	if n := len(m.kept); n > 0 && u.Wakeups+m.offset < m.kept[n-1].use.Wakeups {
		m.offset = m.kept[n-1].use.Wakeups - u.Wakeups // a thread ended: a counter never falls
	}
	u.Wakeups += m.offset
	x := map[string]float64{}
	put := func(name string, v float64) {
		if !math.IsNaN(v) {
			x[name] = v
		}
	}
	put("own_cpu_seconds_total", u.CPUSeconds)
	put("own_resident_bytes", u.ResidentBytes)
	put("own_wakeups_total", u.Wakeups)
	put("own_written_bytes_total", u.WrittenBytes)
	put("own_sent_bytes_total", u.SentBytes)
	if s, ok := m.before(at, short); ok {
		dt := (at - s.at).Seconds()
		put("own_cpu_ratio", (u.CPUSeconds-s.use.CPUSeconds)/dt)
		put("own_wakeups_per_second", (u.Wakeups-s.use.Wakeups)/dt)
	}
	if s, ok := m.before(at, long); ok && at-s.at >= short {
		days := max(at-s.at, day).Hours() / 24
		put("own_written_bytes_per_day", (u.WrittenBytes-s.use.WrittenBytes)/days)
		put("own_sent_bytes_per_day", (u.SentBytes-s.use.SentBytes)/days)
	}
	m.keep(sample{at, u})
	return x
}

// before is the oldest sample within a span, at least a minute old.
func (m *Meter) before(at, span time.Duration) (sample, bool) {
	for _, s := range m.kept {
		if at-s.at <= span {
			return s, at-s.at >= apart
		}
	}
	return sample{}, false
}

// keep thins out: a sample a minute for ten minutes, then one every half hour for a day.
func (m *Meter) keep(s sample) {
	if n := len(m.kept); n > 0 && s.at-m.kept[n-1].at < apart {
		return
	}
	m.kept = append(m.kept, s)
	out := m.kept[:0]
	for i, k := range m.kept {
		age := s.at - k.at
		switch {
		case age > long:
		case age > short && len(out) > 0 && k.at-out[len(out)-1].at < 30*time.Minute && i < len(m.kept)-1:
		default:
			out = append(out, k)
		}
	}
	m.kept = out
}
