package textline

import (
	"context"
	"errors"
	"sync"
	"time"

	"ebbwatch/collector"
	"ebbwatch/collector/reading"
)

// Config is the section textline of a source. The format stands in a file of its own, or
// right here.
type Config struct {
	Port     string        `yaml:"port" need:"true" doc:"serial port, best by /dev/serial/by-id"`
	Baud     int           `yaml:"baud" default:"9600" range:"50..4000000" doc:"speed, bits per second"`
	Parity   string        `yaml:"parity" default:"none" oneof:"none even odd" doc:"parity bit"`
	DataBits int           `yaml:"data_bits" default:"8" oneof:"7 8" doc:"bits of a character"`
	StopBits int           `yaml:"stop_bits" default:"1" oneof:"1 2" doc:"stop bits"`
	Listen   time.Duration `yaml:"listen" default:"5s" range:"200ms..25s" doc:"how long to wait in a poll until every field was printed"`
	File     string        `yaml:"format_file" doc:"file with the format"`
	Format   *Format       `yaml:"format" doc:"the format, when it is not in a file"`
}

// Check reports what the tags cannot say.
func (c *Config) Check(problem func(key, what string)) {
	if (c.File == "") == (c.Format == nil) {
		problem("format", "is needed, either here or as format_file")
	}
}

// Kind is the way of measuring named textline.
func Kind() collector.Kind {
	return collector.NewKind("textline", "lines of text that a device prints on a serial port", sample,
		func(d collector.Decoder, c Config) (collector.Source, error) {
			if c.Format == nil {
				c.Format = &Format{}
				if err := d.File("format_file", c.File, c.Format); err != nil {
					return nil, err
				}
			}
			return newSource(c, openPort), nil
		})
}

const sample = `textline:
  port: /dev/serial/by-id/usb-0002
  baud: 19200
  format:
    begin: "BOX "
    between: ";"
    check: {kind: xor8, mark: "!"}
    fields:
      BV: {quantity: battery_volts, unit: mV}
      BI: {quantity: battery_amps, unit: mA}
      BT: battery_celsius
`

type source struct {
	config Config
	layout layout
	open   func(Config) (port, error)
	mu     sync.Mutex // held for a whole Read: one goroutine owns the port
	port   port
}

func newSource(c Config, open func(Config) (port, error)) *source {
	return &source{config: c, layout: c.Format.compile(func(string, string) {}), open: open}
}

// How the port is listened to.
const (
	stale  = 100 * time.Millisecond // what comes this soon was printed before we listened
	tick   = 100 * time.Millisecond // between two looks at the context
	margin = 50 * time.Millisecond  // before the end of a poll, to hand over what came
)

// Read listens until every field was printed, or as long as it may. What the device printed
// while nobody listened is thrown away: it is as old as the last poll.
func (s *source) Read(ctx context.Context) ([]reading.Value, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	h := &hearing{latest: map[reading.Quantity]float64{}}
	err := s.listen(ctx, h)
	if err != nil && s.port != nil {
		s.port.Close() // whatever is wrong with it, it is opened anew
		s.port = nil
	}
	return h.values(), errors.Join(err, h.verdict(s.config, err == nil))
}

func (s *source) listen(ctx context.Context, h *hearing) error {
	if s.port == nil {
		p, err := s.open(s.config)
		if err != nil {
			return collector.Errorf(collector.Port, "%w", err)
		}
		s.port = p
	}
	end := time.Now().Add(s.config.Listen)
	if d, ok := ctx.Deadline(); ok && d.Add(-margin).Before(end) {
		end = d.Add(-margin)
	}
	if err := s.skipStale(ctx, end); err != nil {
		return err
	}
	parse := &parser{l: s.layout}
	for len(h.latest) < len(s.layout.fields) && ctx.Err() == nil && time.Now().Before(end) {
		chunk, err := s.take(min(tick, time.Until(end)))
		if err != nil {
			return err
		}
		h.bytes += len(chunk)
		for _, f := range parse.feed(chunk) {
			h.add(f)
		}
	}
	return ctx.Err()
}

// skipStale empties the system's buffer, and then that of an adapter, which comes at once
// and much faster than the line.
func (s *source) skipStale(ctx context.Context, end time.Time) error {
	if err := s.port.ResetInputBuffer(); err != nil {
		return s.lost(err)
	}
	until := time.Now().Add(stale)
	for time.Now().Before(until) && time.Now().Before(end) && ctx.Err() == nil {
		if _, err := s.take(time.Until(until)); err != nil {
			return err
		}
	}
	return ctx.Err()
}

// take reads what comes within a time; nothing is no error.
func (s *source) take(within time.Duration) ([]byte, error) {
	if err := s.port.SetReadTimeout(max(within, time.Millisecond)); err != nil {
		return nil, s.lost(err)
	}
	var b [256]byte
	n, err := s.port.Read(b[:])
	if err != nil {
		return nil, s.lost(err)
	}
	return b[:n], nil
}

func (s *source) lost(err error) error {
	return collector.Errorf(collector.Port, "cannot read %s: the port went away, it will be opened again: %w", s.config.Port, err)
}

// hearing is what one poll heard.
type hearing struct {
	latest map[reading.Quantity]float64
	bytes  int
	good   int
	bad    int   // frames refused for what they said
	sums   int   // frames refused for their check
	last   error // why the last one was
}

func (h *hearing) add(f frame) {
	switch {
	case errors.Is(f.err, errSum):
		h.sums++
	case f.err != nil:
		h.bad++
	default:
		h.good++
	}
	if f.err != nil {
		h.last = f.err
	}
	for _, v := range f.values {
		h.latest[v.Quantity] = v.X
	}
}

// values lists what was heard, in the order of the quantities.
func (h *hearing) values() (out []reading.Value) {
	for q := range reading.NumSite {
		if x, ok := h.latest[q]; ok {
			out = append(out, reading.Value{Quantity: q, X: x})
		}
	}
	return out
}

// verdict says what was wrong with what was heard; whole is false when the port failed.
func (h *hearing) verdict(c Config, whole bool) error {
	switch {
	case h.sums > 0:
		return collector.Errorf(collector.CRC, "cannot use %d of %d frames from %s: %w", h.sums+h.bad, h.sums+h.bad+h.good, c.Port, h.last)
	case h.bad > 0:
		return collector.Errorf(collector.Refused, "cannot use %d of %d frames from %s: %w", h.bad, h.bad+h.good, c.Port, h.last)
	case !whole || len(h.latest) > 0:
		return nil
	case h.bytes == 0:
		return collector.Errorf(collector.Timeout, "cannot read %s: the device printed nothing in %v", c.Port, c.Listen)
	case h.good > 0:
		return nil // every field says that it was not measured
	}
	return collector.Errorf(collector.Short, "cannot read %s: %d bytes came in %v, and no frame of the format: are speed, parity and format right?", c.Port, h.bytes, c.Listen)
}
