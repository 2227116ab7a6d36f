package collector

import (
	"context"
	"errors"
	"fmt"
	"hash/fnv"
	"time"

	"ebbwatch/collector/reading"
)

// Source reads one instrument once. Values count even beside an error: what was read
// before something failed is still true.
type Source interface {
	Read(ctx context.Context) ([]reading.Value, error)
}

// Kind is a way of measuring that a configuration may name.
type Kind struct {
	Name    string // the key in the configuration
	Summary string // one line for people
	Sample  string // a working section, YAML
	New     func(Decoder) (Source, error)
}

// NewKind makes a kind whose source is built from its decoded section alone. What build reports
// wrong is a problem of the section, unless it reported it at a key itself.
func NewKind[C any](name, summary, sample string, build func(d Decoder, c C) (Source, error)) Kind {
	return Kind{Name: name, Summary: summary, Sample: sample, New: func(d Decoder) (Source, error) {
		var c C
		if err := d.Decode(&c); err != nil {
			return nil, err
		}
		return build(d, c)
	}}
}

// Decoder hands a part its own section of the configuration.
type Decoder interface {
	// Decode fills the struct that v points to from the section, strictly. Problems are
	// kept with their line and column; the error only says that there were some. A struct
	// with a method Check(problem func(key, what string)) is asked after it was filled.
	Decode(v any) error
	// File does the same from another file, named relative to the configuration, such as
	// a register map. key is the key in this section that named the file.
	File(key, path string, v any) error
	// Problem reports what is wrong at a key of the section, or at the section itself when
	// key is empty.
	Problem(key, format string, args ...any)
}

// ErrorKind sorts what can go wrong with a source; it labels ebbwatch_source_errors_total.
type ErrorKind string

// The kinds of error.
const (
	Timeout   ErrorKind = "timeout"   // no answer in time
	CRC       ErrorKind = "crc"       // an answer whose check sum is wrong
	Exception ErrorKind = "exception" // the device refused
	Short     ErrorKind = "short"     // an answer that ends too early
	Foreign   ErrorKind = "foreign"   // an answer to somebody else's question
	Port      ErrorKind = "port"      // the port or host cannot be opened or went away
	Refused   ErrorKind = "refused"   // a value outside what is possible
	Other     ErrorKind = "other"
)

// Error is a failure of a source with its kind.
type Error struct {
	Kind ErrorKind
	Err  error
}

// Error says what could not be done.
func (e *Error) Error() string { return e.Err.Error() }

// Unwrap gives the cause.
func (e *Error) Unwrap() error { return e.Err }

// Errorf makes an [Error] of a kind; the format may wrap with %w.
func Errorf(kind ErrorKind, format string, args ...any) error {
	return &Error{Kind: kind, Err: fmt.Errorf(format, args...)}
}

// KindOf sorts an error: [Other] when nothing below it says better.
func KindOf(err error) ErrorKind {
	var e *Error
	switch {
	case errors.As(err, &e):
		return e.Kind
	case errors.Is(err, context.DeadlineExceeded):
		return Timeout
	}
	return Other
}

// Report is the outcome of one poll.
type Report struct {
	Source string
	At     reading.Stamp // when the answer was complete
	Values []reading.Value
	Err    error
	Took   time.Duration
}

// Poll reads a source every period until the context ends, and hands each outcome on. The
// first poll comes at once, so that a start tells something soon. Those that follow are later
// by a share of the period that depends on the name alone, so that many sources spread and a
// restart repeats itself. A poll may take 80 % of the period, at most 30 s. A slow source skips
// polls; it is never asked twice at once.
func Poll(ctx context.Context, name string, every time.Duration, src Source, now func() reading.Stamp, out func(Report)) {
	PollAsTold(ctx, name, func() time.Duration { return every }, src, now, out)
}

// PollAsTold is [Poll] with a period that may change: it is asked for before each poll. A
// longer period counts from the last poll, a shorter one from the poll after it.
func PollAsTold(ctx context.Context, name string, every func() time.Duration, src Source, now func() reading.Stamp, out func(Report)) {
	poll := func(period time.Duration) { out(readOnce(ctx, name, min(period*8/10, 30*time.Second), src, now)) }
	period := every()
	later := time.NewTimer(spread(name, period))
	defer later.Stop()
	poll(period)
	select {
	case <-ctx.Done():
		return
	case <-later.C:
	}
	tick := time.NewTicker(period)
	defer tick.Stop()
	for {
		if p := every(); p != period {
			period = p
			tick.Reset(period)
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			poll(period)
		}
	}
}

func readOnce(ctx context.Context, name string, limit time.Duration, src Source, now func() reading.Stamp) Report {
	ctx, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	began := time.Now()
	values, err := src.Read(ctx)
	return Report{Source: name, At: now(), Values: values, Err: err, Took: time.Since(began)}
}

// spread is between 0 and a quarter of the period, at most 2 s.
func spread(name string, every time.Duration) time.Duration {
	h := fnv.New32a()
	h.Write([]byte(name))
	return min(every/4, 2*time.Second) * time.Duration(h.Sum32()%1000) / 1000
}
