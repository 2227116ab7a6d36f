package wiretest

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"sync"
	"time"

	"ebbwatch/collector/serial"
)

// Playback is a wire that answers as a recording says. What is said must be what the
// recording says, byte for byte; Close fails when anything else was said, or when the
// recording was not used up. The silences take their time, so use it in a bubble of
// testing/synctest.
type Playback struct {
	mu    sync.Mutex
	steps []Step
	next  int
	part  int       // of the bytes of the step
	after time.Time // a silence ends
	wait  time.Duration
	wrong error
}

var _ serial.Wire = (*Playback)(nil)

// NewPlayback plays steps.
func NewPlayback(steps []Step) *Playback { return &Playback{steps: steps} }

// Write takes what the recording says next.
func (p *Playback) Write(b []byte) (int, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.skipSilence(true)
	if p.next >= len(p.steps) || p.steps[p.next].Direction != Said || !bytes.HasPrefix(p.steps[p.next].Bytes[p.part:], b) {
		if p.wrong == nil {
			p.wrong = fmt.Errorf("step %d of the recording is %s, but % X was said", p.next+1, p.expected(), b)
		}
		return 0, p.wrong
	}
	p.advance(len(b))
	return len(b), nil
}

// SetReadTimeout says how long the next Read waits.
func (p *Playback) SetReadTimeout(d time.Duration) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.wait = d
	return nil
}

// Read gives the bytes of one step at most.
func (p *Playback) Read(b []byte) (int, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.wrong != nil {
		return 0, p.wrong
	}
	until := time.Now().Add(p.wait)
	for {
		p.skipSilence(false)
		if p.next < len(p.steps) && p.steps[p.next].Direction == Heard && !time.Now().Before(p.after) {
			n := copy(b, p.steps[p.next].Bytes[p.part:])
			p.advance(n)
			return n, nil
		}
		now := time.Now()
		if !now.Before(until) {
			return 0, nil
		}
		wake := until
		if p.after.After(now) && p.after.Before(until) {
			wake = p.after
		}
		p.mu.Unlock()
		time.Sleep(wake.Sub(now))
		p.mu.Lock()
	}
}

// skipSilence starts the silence that is next; one that something is said in ends there.
func (p *Playback) skipSilence(said bool) {
	for p.next < len(p.steps) && p.steps[p.next].Direction == Silence {
		if !said {
			p.after = time.Now().Add(p.steps[p.next].For)
		}
		p.next++
	}
	if said {
		p.after = time.Time{}
	}
}

func (p *Playback) advance(n int) {
	p.part += n
	if p.part >= len(p.steps[p.next].Bytes) {
		p.next, p.part = p.next+1, 0
	}
}

func (p *Playback) expected() string {
	if p.next >= len(p.steps) {
		return "the end"
	}
	return p.steps[p.next].String()
}

// Close fails when the recording was not followed to its end.
func (p *Playback) Close() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.wrong != nil {
		return p.wrong
	}
	for p.next < len(p.steps) && p.steps[p.next].Direction == Silence {
		p.next++
	}
	if p.next < len(p.steps) {
		return fmt.Errorf("the recording was not used up: step %d of %d is %s", p.next+1, len(p.steps), p.expected())
	}
	return nil
}

// Recorder passes everything on to a wire and writes down what passes.
type Recorder struct {
	serial.Wire
	mu   sync.Mutex
	out  io.Writer
	last time.Time
	err  error
}

// Record writes a recording of what passes over w to out. Silences longer than 20 ms are
// written down.
func Record(w serial.Wire, out io.Writer) *Recorder { return &Recorder{Wire: w, out: out} }

// Write says b on the wire.
func (r *Recorder) Write(b []byte) (int, error) {
	n, err := r.Wire.Write(b)
	r.note(Said, b[:n])
	return n, err
}

// Read hears what comes.
func (r *Recorder) Read(b []byte) (int, error) {
	n, err := r.Wire.Read(b)
	r.note(Heard, b[:n])
	return n, err
}

func (r *Recorder) note(d Direction, b []byte) {
	if len(b) == 0 {
		return
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	now := time.Now()
	if pause := now.Sub(r.last); !r.last.IsZero() && pause > 20*time.Millisecond {
		r.line(Step{Direction: Silence, For: pause.Round(time.Millisecond)})
	}
	r.last = now
	r.line(Step{Direction: d, Bytes: b})
}

func (r *Recorder) line(s Step) {
	if _, err := fmt.Fprintln(r.out, s); err != nil && r.err == nil {
		r.err = fmt.Errorf("cannot write the recording: %w", err)
	}
}

// Close closes the wire and says whether everything was written down.
func (r *Recorder) Close() error { return errors.Join(r.Wire.Close(), r.err) }
