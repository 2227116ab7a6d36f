// Package cost measures what the daemon itself costs the board: processor time, wake-ups,
// memory and bytes written, from what the kernel counts, and bytes sent, which [Sent] counts.
// The sources are proc(5) of the Linux manual pages: /proc/self/stat, /proc/self/task/*/status,
// /proc/self/io.
package cost

import (
	"errors"
	"fmt"
	"io/fs"
	"math"
	"path"
	"strconv"
	"strings"
	"time"
)

// Ticks is how many clock ticks /proc counts a second: USER_HZ, which is 100 on every
// architecture that we build for.
const Ticks = 100

// Use is what a process has used since its start. What the kernel does not say is NaN.
type Use struct {
	CPUSeconds    float64 // user and system
	ResidentBytes float64
	Wakeups       float64 // voluntary context switches of the threads that live
	WrittenBytes  float64 // caused to be sent to the storage layer, less what was cancelled
	SentBytes     float64 // over the network; the kernel does not say, see [Sent]
}

// Read asks the kernel; proc is the folder of one process, such as os.DirFS("/proc/self").
// What can be read counts even beside an error.
func Read(proc fs.FS, pageSize int) (Use, error) {
	u := Use{math.NaN(), math.NaN(), math.NaN(), math.NaN(), math.NaN()}
	stat, err := fs.ReadFile(proc, "stat")
	if err == nil {
		u.CPUSeconds, u.ResidentBytes, err = parseStat(string(stat), pageSize)
	}
	wakeups, err2 := wakeups(proc)
	if err2 == nil {
		u.Wakeups = wakeups
	}
	io, err3 := fs.ReadFile(proc, "io")
	if err3 == nil {
		u.WrittenBytes, err3 = parseIO(string(io))
	}
	return u, errors.Join(err, err2, err3)
}

// parseStat takes utime, stime and rss, the fields 14, 15 and 24. The name of the program,
// in brackets, may hold anything.
func parseStat(text string, pageSize int) (cpu, resident float64, err error) {
	_, rest, found := lastCut(text, ")")
	f := strings.Fields(rest)
	if !found || len(f) < 22 {
		return math.NaN(), math.NaN(), fmt.Errorf("cannot read stat: %d fields after the name", len(f))
	}
	var n [3]float64
	for i, field := range [3]int{14, 15, 24} { // the first after the name is field 3
		if n[i], err = strconv.ParseFloat(f[field-3], 64); err != nil {
			return math.NaN(), math.NaN(), fmt.Errorf("cannot read stat: field %d: %w", field, err)
		}
	}
	return (n[0] + n[1]) / Ticks, n[2] * float64(pageSize), nil
}

func lastCut(s, sep string) (before, after string, found bool) {
	i := strings.LastIndex(s, sep)
	if i < 0 {
		return s, "", false
	}
	return s[:i], s[i+len(sep):], true
}

// wakeups adds up the threads. One that ends meanwhile takes its count with it.
func wakeups(proc fs.FS) (float64, error) {
	threads, err := fs.ReadDir(proc, "task")
	if err != nil {
		return math.NaN(), fmt.Errorf("cannot count wake-ups: %w", err)
	}
	sum, seen := 0.0, false
	for _, t := range threads {
		text, err := fs.ReadFile(proc, path.Join("task", t.Name(), "status"))
		if err != nil {
			continue // the thread has ended
		}
		if n, ok := value(string(text), "voluntary_ctxt_switches"); ok {
			sum, seen = sum+n, true
		}
	}
	if !seen {
		return math.NaN(), errors.New("cannot count wake-ups: no thread tells of its switches")
	}
	return sum, nil
}

// parseIO is what went to the storage layer less what was taken back before.
func parseIO(text string) (float64, error) {
	written, ok := value(text, "write_bytes")
	if !ok {
		return math.NaN(), errors.New("cannot read io: no write_bytes")
	}
	cancelled, _ := value(text, "cancelled_write_bytes")
	return max(0, written-cancelled), nil
}

// value is the number of one line "key: number".
func value(text, key string) (float64, bool) {
	for line := range strings.Lines(text) {
		if name, rest, _ := strings.Cut(line, ":"); name == key {
			x, err := strconv.ParseFloat(strings.TrimSpace(rest), 64)
			return x, err == nil
		}
	}
	return 0, false
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
