package main

import (
	"bytes"
	"io"
	"log/slog"
	"os"
	"strings"
	"sync"
	"time"

	"ebbwatch/cmd/internal/facts"
)

// logRing keeps the last lines of the log for the page.
type logRing struct {
	mu    sync.Mutex
	lines []facts.LogLine
	clock func() time.Time // nil: the machine's; a demonstration has a time of its own
}

const ringLines = 50

// newLogger writes plain lines to w, and keeps the last ones in the ring. Under systemd the
// journal adds the time itself.
func newLogger(w io.Writer, ring *logRing) *slog.Logger {
	_, journal := os.LookupEnv("JOURNAL_STREAM")
	options := &slog.HandlerOptions{ReplaceAttr: func(groups []string, a slog.Attr) slog.Attr {
		if len(groups) == 0 && a.Key == slog.TimeKey && journal {
			return slog.Attr{}
		}
		return a
	}}
	plain := &slog.HandlerOptions{ReplaceAttr: func(groups []string, a slog.Attr) slog.Attr {
		if len(groups) == 0 && a.Key == slog.TimeKey {
			return slog.Attr{}
		}
		return a
	}}
	return slog.New(slog.NewMultiHandler(slog.NewTextHandler(w, options), slog.NewTextHandler(ring, plain)))
}

// Write takes one line of the log.
func (r *logRing) Write(line []byte) (int, error) {
	text := strings.TrimPrefix(string(bytes.TrimSpace(line)), "level=INFO ")
	now := time.Now()
	if r.clock != nil {
		now = r.clock()
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.lines = append(r.lines, facts.LogLine{At: now, Text: text})
	if len(r.lines) > ringLines {
		r.lines = r.lines[1:]
	}
	return len(line), nil
}

// Lines gives the last lines, newest last.
func (r *logRing) Lines() []facts.LogLine {
	r.mu.Lock()
	defer r.mu.Unlock()
	return append([]facts.LogLine(nil), r.lines...)
}
