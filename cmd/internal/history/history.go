package history

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"strings"
	"sync/atomic"
	"time"

	"ebbwatch/cmd/internal/facts"
)

// Options says where the history is kept and how much of it.
type Options struct {
	Path  string   // the file
	Peers []string // the names of the peers, for columns of their own
	// Boot names this start of the board, such as the kernel's boot id; samples of one boot
	// share a monotonic clock. Empty: this process is a boot of its own.
	Boot string
	// MonoBase is the board's monotonic clock at the instant that Stamp.Mono counts from.
	MonoBase time.Duration
	// Budget bounds the file in bytes; 0: 100 MB.
	Budget int64
	// RawFor is how long samples are kept as they came; 0: 30 days.
	RawFor time.Duration
	// Every is the least time between samples; 0: 10 s less a little.
	Every time.Duration
	// Batch is how long samples wait in memory; 0: 5 minutes.
	Batch time.Duration
	// Prompt says that somebody waits for what is written, such as a server that it is sent on
	// to: a batch then waits half as long again because all is well, not twice as long.
	Prompt bool
	// CheckAfter is how long after the opening the whole file is looked through for damage that
	// would hide rows in silence; 0: 3 minutes.
	CheckAfter time.Duration
	// Look is for whoever only reads: a damaged file stays where it is, and what cannot be read is
	// an error instead of nothing.
	Look bool
	Log  *slog.Logger
}

func (o Options) withDefaults() Options {
	pick := func(d *time.Duration, def time.Duration) {
		if *d == 0 {
			*d = def
		}
	}
	pick(&o.RawFor, 30*24*time.Hour)
	pick(&o.Every, 9500*time.Millisecond)
	pick(&o.Batch, 5*time.Minute)
	pick(&o.CheckAfter, 3*time.Minute)
	if o.Budget == 0 {
		o.Budget = 100 << 20
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Boot == "" {
		o.Boot = fmt.Sprintf("process %d", time.Now().UnixNano())
	}
	return o
}

// Bounds of what waits in memory: a day of samples while the card cannot be written, and
// the mailbox of the writer.
const (
	keepSamples = 8640
	mailbox     = 512
)

// sample is one row on its way to the file.
type sample struct {
	mono  int64 // ms of the board's monotonic clock
	wall  int64 // ms since 1970; 0 while the clock is not trusted
	cells []int64
	note  []byte // a notice instead of a sample
}

// Store is the history. Add is for one goroutine; everything else is for any.
type Store struct {
	o       Options
	cols    []column
	index   facts.Index
	last    int64 // ms of the newest sample, for Add
	began   bool
	energy  [4]int64 // the node's totals at the last sample, J, for Add
	in      chan sample
	ask     chan func(*writer)
	stop    chan struct{}
	done    chan struct{}
	pace    atomic.Int32 // see SetPace
	frozen  atomic.Bool  // the card could not be written last
	problem atomic.Pointer[string]
	doubts  atomic.Pointer[string] // of the clock
	dropped atomic.Int64
}

// Open opens the history. It never fails: what is wrong is told by [Store.Problem], and
// the last day is then kept in memory.
func Open(o Options) *Store {
	o = o.withDefaults()
	s := &Store{o: o, cols: columns(o.Peers), index: facts.NewIndex(), in: make(chan sample, mailbox),
		ask: make(chan func(*writer)), stop: make(chan struct{}), done: make(chan struct{})}
	w := newWriter(s)
	w.open()
	go w.run()
	return s
}

// Pace says how much the card is written.
type Pace int32

// The paces. Each write wakes the card, and the file system writes several times what it is
// given: batches of five minutes come to more than 8 MB a day, those of ten do not.
const (
	Usual   Pace = iota // a batch waits for as long as the options say
	Calm                // nothing is amiss and power will not go soon: twice as long
	Sparing             // power is short: samples lie three times as far apart, and wait three times as long
)

const thinning = 3

// SetPace has the history written at a pace from now on. It may be called by any goroutine. A
// power cut costs one batch: 5, 10 or 15 minutes by default.
func (s *Store) SetPace(p Pace) { s.pace.Store(int32(p)) }

// every is the least time between samples.
func (s *Store) every() time.Duration {
	if Pace(s.pace.Load()) == Sparing {
		return thinning * s.o.Every
	}
	return s.o.Every
}

// batch is how long samples wait.
func (s *Store) batch() time.Duration {
	switch p := Pace(s.pace.Load()); {
	case p == Calm && s.o.Prompt:
		return s.o.Batch * 3 / 2
	case p == Calm:
		return 2 * s.o.Batch
	case p == Sparing:
		return thinning * s.o.Batch
	}
	return s.o.Batch
}

// Add takes a sample of the snapshot, unless the last is too fresh. It does not wait.
func (s *Store) Add(snap *facts.Snapshot) {
	mono := (s.o.MonoBase + snap.At.Mono).Milliseconds()
	if s.began && mono-s.last < s.every().Milliseconds() {
		return
	}
	after := s.last - s.o.MonoBase.Milliseconds()
	if !s.began {
		after = math.MinInt64
	}
	x := sample{mono: mono, cells: sampleRow(s.cols, snap, s.lookup(snap, mono), after)}
	if snap.At.Trusted {
		x.wall = snap.At.Wall.UnixMilli()
	}
	s.countEnergy(snap, x.cells[cellFlows:lead])
	s.last, s.began = mono, true
	s.hand(x)
}

// lookup gives the facts of a snapshot, and what the history knows itself of the board.
func (s *Store) lookup(snap *facts.Snapshot, mono int64) func(string) (float64, bool) {
	known := s.index.Lookup(snap)
	return func(name string) (float64, bool) {
		switch name {
		case columnBoot:
			return float64(bootNumber(s.o.Boot)), true
		case columnUptime:
			return float64(mono) / 1000, true
		}
		return known(name)
	}
}

// countEnergy fills in the energies since the sample before. Totals are rounded, not their
// differences, so that nothing is lost over the years. A total that fell was begun anew.
func (s *Store) countEnergy(snap *facts.Snapshot, cells []int64) {
	for f, flow := range flows() {
		joules, known := snap.Energy[flow]
		if !known || math.IsNaN(joules) || math.Abs(joules) > 1e15 {
			continue
		}
		total := int64(math.Round(joules))
		if s.began && total >= s.energy[f] {
			cells[f] = total - s.energy[f]
		}
		s.energy[f] = total
	}
}

// Note keeps a notice that was sent, as JSON, for reports. It does not wait. It belongs to
// the goroutine that adds.
func (s *Store) Note(at time.Time, notice []byte) {
	s.hand(sample{mono: s.last, wall: at.UnixMilli(), note: notice})
}

func (s *Store) hand(x sample) {
	select {
	case s.in <- x:
	default:
		s.dropped.Add(1)
	}
}

// Flush writes what waits in memory now, because power may be about to go.
func (s *Store) Flush(ctx context.Context) error {
	_, err := ask(ctx, s, func(w *writer) (struct{}, error) {
		err := w.flush()
		w.report(err)
		return struct{}{}, err
	})
	return err
}

// Kept tells whether samples could be written when that was last tried.
func (s *Store) Kept() bool { return !s.frozen.Load() }

// Problem says what is wrong with the history, for people; empty when nothing is.
func (s *Store) Problem() string {
	var texts []string
	for _, p := range []*atomic.Pointer[string]{&s.problem, &s.doubts} {
		if text := p.Load(); text != nil {
			texts = append(texts, *text)
		}
	}
	if n := s.dropped.Load(); n > 0 {
		texts = append(texts, fmt.Sprintf("history: %d samples were lost because the card is too slow", n))
	}
	return strings.Join(texts, "; ")
}

// Close writes what waits and closes the file.
func (s *Store) Close(ctx context.Context) error {
	select {
	case <-s.stop:
		return nil
	default:
	}
	err := s.Flush(ctx)
	close(s.stop)
	select {
	case <-s.done:
	case <-ctx.Done():
		err = errors.Join(err, fmt.Errorf("cannot close the history: %w", ctx.Err()))
	}
	return err
}

// ask runs f in the goroutine that owns the file and gives what it gives. Where the context
// ends first, f may still run, but nobody looks at what it found.
func ask[T any](ctx context.Context, s *Store, f func(*writer) (T, error)) (T, error) {
	type result struct {
		x   T
		err error
	}
	var none T
	answer := make(chan result, 1)
	select {
	case s.ask <- func(w *writer) {
		if w.o.Look && w.db == nil {
			answer <- result{none, errors.New(w.cannot())}
			return
		}
		x, err := f(w)
		if isDamage(err) && w.db != nil && !w.o.Look {
			w.report(w.setAside(err))
		}
		answer <- result{x, err}
	}:
	case <-s.done:
		return none, errors.New("cannot ask the history: it is closed")
	case <-ctx.Done():
		return none, fmt.Errorf("cannot ask the history: %w", ctx.Err())
	}
	select {
	case r := <-answer:
		return r.x, r.err
	case <-ctx.Done():
		return none, fmt.Errorf("cannot ask the history: %w", ctx.Err())
	}
}
