package history_test

import (
	"context"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"ebbwatch/cmd/internal/history"
)

// recorded makes a file of some hours, and gives what is in it.
func recorded(t *testing.T, path string, hours time.Duration) []byte {
	t.Helper()
	s := open(t, history.Options{Path: path})
	flushed(t, s, 0, hours, true)
	s.Note(begin().Add(time.Hour), []byte(`{"id":"slipway.cold.1"}`))
	flush(t, s)
	next(t, s, 100, true)
	if err := s.Close(context.WithoutCancel(t.Context())); err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// found has all read, so that damage is found, and waits until what is left is carried over.
func found(t *testing.T, s *history.Store) string {
	t.Helper()
	for range 3 { // the samples, the sums, and once more
		_, _ = s.Export(t.Context(), new(nowhere), begin(), begin().Add(24*time.Hour)) // fails where there is damage
		_, _ = s.Lookup(t.Context(), history.Query{From: begin(), To: begin().Add(24 * time.Hour), Points: 20})
		settled(t, s)
	}
	return s.Problem()
}

// settled waits until nothing is carried over any more.
func settled(t *testing.T, s *history.Store) string {
	t.Helper()
	for range 10_000 {
		p := s.Problem()
		if p == "" || strings.Contains(p, "carried over") {
			return p
		}
		if _, err := s.Newest(t.Context()); err != nil { // a turn of the writer
			t.Fatal(err)
		}
	}
	t.Fatalf("it does not end: %s", s.Problem())
	return ""
}

// One to four flipped bits cost the rows that they hit and those of the pages that they make
// unreadable, not the record; where rows are lost it is told. The record goes on, and is sent on
// from where it was.
func TestAFewFlippedBitsCostAFewRows(t *testing.T) {
	t.Parallel()
	const hours = 6
	trials := 24
	if testing.Short() {
		trials = 8
	}
	whole := recorded(t, filepath.Join(t.TempDir(), "history.db"), hours*time.Hour)
	rng := rand.New(rand.NewPCG(7, 11)) // any will do
	kept, lost, hidden := 0, 0, 0
	for range trials {
		b := append([]byte{}, whole...)
		for range 1 + rng.IntN(4) {
			b[rng.IntN(len(b))] ^= 1 << rng.IntN(8)
		}
		path := filepath.Join(t.TempDir(), "history.db")
		if err := os.WriteFile(path, b, 0o600); err != nil {
			t.Fatal(err)
		}
		s := open(t, history.Options{Path: path, CheckAfter: 1})
		fill(s, hours*time.Hour, hours*time.Hour+10*time.Minute, 10*time.Second, true)
		flush(t, s)
		told := found(t, s)
		within, elsewhere := samples(t, s, hours*time.Hour)
		kept += within
		if within < 360*hours*9/10 {
			lost++
		}
		if elsewhere != 60 && told == "" {
			hidden++
		}
		if got, err := s.Unsent(t.Context(), "dashboard", 1<<20); err == nil && within == 360*hours && told == "" && len(got) != 360*hours+60-100 {
			t.Errorf("%d samples are still to be sent, want all but 100", len(got))
		}
	}
	t.Logf("%d of %d samples were kept, %d files lost more than a tenth", kept, trials*360*hours, lost)
	// A bit in the tree above the rows hides hundreds of them: here 1.5 % of the pages are such.
	if kept < trials*360*hours*9/10 || lost > trials/8 {
		t.Errorf("%d of %d samples were kept, and %d of %d files lost more than a tenth", kept, trials*360*hours, lost, trials)
	}
	// What is not noticed: a bit in a key of the tree leads a search for a span past rows that are
	// whole, and whose checksums are right. No row is wrong, but some are not found.
	if t.Logf("%d of %d files hide rows from a search", hidden, trials); hidden > trials/8 {
		t.Errorf("%d of %d files hide rows from a search and nothing tells", hidden, trials)
	}
}

// What is carried over is whole: samples, sums, notices, and what a receiver has.
func TestADamagedFileIsCarriedOver(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "history.db")
	b := recorded(t, path, 6*time.Hour)
	for i := len(b) * 2 / 3 / 1024 * 1024; i < len(b)*2/3/1024*1024+1024; i++ { // one page
		b[i] = 0x5a
	}
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
	s := open(t, history.Options{Path: path, CheckAfter: 1})
	flushed(t, s, 6*time.Hour, 8*time.Hour, true)
	found(t, s)
	within, _ := samples(t, s, 6*time.Hour)
	if within < 6*360-20 || within == 6*360 {
		t.Errorf("%d samples are left of %d (%s)", within, 6*360, s.Problem())
	}
	notices, err := s.Notices(t.Context(), begin(), begin().Add(6*time.Hour))
	if err != nil || len(notices) != 1 {
		t.Errorf("%d notices, %v; want 1", len(notices), err)
	}
	five := lookup(t, s, history.Query{From: begin(), To: begin().Add(6 * time.Hour), Points: 72})
	if five.Resolution != "5m" || len(five.Times) < 71 {
		t.Errorf("%d sums (%s), want 72", len(five.Times), five.Resolution)
	}
	left := unsent(t, s)
	if len(left) < within+720-100-5 || left[0].At.Before(begin().Add(900*time.Second)) {
		t.Errorf("%d samples are to be sent, the first of %s; want all but the first 100", len(left), left[0].At)
	}
}

// Damaged files are kept for whoever wants to know, but not without end.
func TestDamagedFilesArePruned(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "history.db")
	for range 6 {
		if err := os.WriteFile(path, []byte(strings.Repeat("worn", 1000)), 0o600); err != nil {
			t.Fatal(err)
		}
		s := open(t, history.Options{Path: path})
		flush(t, s)
		if err := s.Close(context.WithoutCancel(t.Context())); err != nil {
			t.Fatal(err)
		}
	}
	if asides, _ := filepath.Glob(path + ".damaged-*"); len(asides) != 3 {
		t.Errorf("kept are %v, want 3", asides)
	}
}

// A file that was cut to nothing is told of.
func TestACutFileIsToldOf(t *testing.T) {
	t.Parallel()
	for size := range 3 {
		path := filepath.Join(t.TempDir(), "history.db")
		b := recorded(t, path, time.Hour)
		if err := os.WriteFile(path, b[:size], 0o600); err != nil {
			t.Fatal(err)
		}
		s := open(t, history.Options{Path: path})
		fill(s, 0, time.Minute, 10*time.Second, true)
		flush(t, s)
		if p := s.Problem(); !strings.Contains(p, "it is empty") {
			t.Errorf("%d bytes: the problem is %q", size, p)
		}
	}
}

// Whoever only looks changes nothing, and is told what cannot be read.
func TestALookLeavesADamagedFileAlone(t *testing.T) {
	t.Parallel()
	for name, content := range map[string]string{"noise": strings.Repeat("worn", 1000), "empty": ""} {
		dir := t.TempDir()
		path := filepath.Join(dir, "history.db")
		if err := os.WriteFile(path, []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
		s := open(t, history.Options{Path: path, Look: true})
		n, err := s.Export(t.Context(), new(nowhere), begin(), begin().Add(time.Hour))
		if err == nil || n != 0 || !strings.Contains(err.Error(), path) {
			t.Errorf("%s: %d rows, %v", name, n, err)
		}
		_ = s.Close(context.WithoutCancel(t.Context())) // it could not be opened
		if b, err := os.ReadFile(path); err != nil || string(b) != content {
			t.Errorf("%s: the file has %d bytes, %v", name, len(b), err)
		}
		if files, _ := os.ReadDir(dir); len(files) != 1 {
			t.Errorf("%s: %d files are there", name, len(files))
		}
	}
}

// A pipe in place of the file must not hold up the start.
func TestAPipeIsNoHistory(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "history.db")
	if err := syscall.Mkfifo(path, 0o600); err != nil {
		t.Fatal(err)
	}
	s := open(t, history.Options{Path: path})
	if p := s.Problem(); !strings.Contains(p, "no plain file") {
		t.Errorf("the problem is %q", p)
	}
}
