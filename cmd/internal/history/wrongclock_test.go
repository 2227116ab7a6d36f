package history_test

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ebbwatch/cmd/internal/facts/factstest"
	"ebbwatch/cmd/internal/history"
)

// run is one start of a board: it records for a while, its wall clock off by some time, and
// then loses power.
func run(t *testing.T, path, boot string, began, length, off time.Duration) {
	t.Helper()
	s := open(t, history.Options{Path: path, Boot: boot})
	record(t, s, began, 0, length, off)
	if err := s.Close(context.WithoutCancel(t.Context())); err != nil {
		t.Fatal(err)
	}
}

// record adds samples of a board that was started so long after the beginning of all tests.
func record(t *testing.T, s *history.Store, began, from, to, off time.Duration) {
	t.Helper()
	base := factstest.Rich()
	for m := from; m < to; m += 10 * time.Second {
		x := moment(base, began+m, true)
		x.At.Mono = m
		x.At.Wall = x.At.Wall.Add(off)
		s.Add(x)
		if m%(30*time.Minute) == 0 {
			flush(t, s)
		}
	}
	flush(t, s)
}

// rows are the samples that lie within a span after the beginning of all tests, and those that
// lie anywhere else.
func rows(t *testing.T, path string, span time.Duration) (within, elsewhere int) {
	t.Helper()
	s := open(t, history.Options{Path: path, Boot: "a look"})
	within, elsewhere = samples(t, s, span)
	if err := s.Close(context.WithoutCancel(t.Context())); err != nil {
		t.Fatal(err)
	}
	return within, elsewhere
}

func samples(t *testing.T, s *history.Store, span time.Duration) (within, elsewhere int) {
	t.Helper()
	export := func(from, to time.Time) int {
		n, err := s.Export(t.Context(), new(nowhere), from, to)
		if err != nil {
			t.Fatal(err)
		}
		return n
	}
	within = export(begin(), begin().Add(span))
	return within, export(time.Unix(0, 0), time.Unix(1<<33, 0)) - within
}

type nowhere struct{}

func (*nowhere) Write(p []byte) (int, error) { return len(p), nil }

const hoursKept = 5

// wrongClocks are what boards have been seen to start with: a counter that ran over, a clock chip
// with an empty battery, and one that was set by hand in the wrong month.
func wrongClocks() map[string]time.Duration {
	day := 24 * time.Hour
	return map[string]time.Duration{
		"2100":          time.Date(2100, 1, 1, 0, 0, 0, 0, time.UTC).Sub(begin()),
		"2038":          time.Date(2038, 1, 19, 3, 14, 7, 0, time.UTC).Sub(begin()),
		"44 days ahead": 44 * day,
		"2000":          time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC).Sub(begin()),
	}
}

// One start with a wrong clock, nine seconds long, costs nothing of what was recorded, leaves
// nothing in the future, and the record goes on.
func TestAStartWithAWrongClock(t *testing.T) {
	t.Parallel()
	for name, off := range wrongClocks() {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			path := filepath.Join(t.TempDir(), "history.db")
			run(t, path, "one", 0, hoursKept*time.Hour, 0)
			run(t, path, "wrong", hoursKept*time.Hour, 9*time.Second, off)
			if within, elsewhere := rows(t, path, hoursKept*time.Hour); within != 360*hoursKept || elsewhere != 0 {
				t.Errorf("%d samples are left of %d, %d lie elsewhere", within, 360*hoursKept, elsewhere)
			}
			s := open(t, history.Options{Path: path, Boot: "three"})
			record(t, s, 6*time.Hour, 0, time.Hour, 0)
			if within, elsewhere := samples(t, s, 24*time.Hour); within != 360*(hoursKept+1) || elsewhere != 0 {
				t.Errorf("later %d samples are there, want %d; %d lie elsewhere", within, 360*(hoursKept+1), elsewhere)
			}
			if n := len(unsent(t, s)); n != 360*(hoursKept+1) {
				t.Errorf("%d samples are sent on, want %d", n, 360*(hoursKept+1))
			}
		})
	}
}

func unsent(t *testing.T, s *history.Store) []history.Record {
	t.Helper()
	got, err := s.Unsent(t.Context(), "dashboard", 1<<20)
	if err != nil {
		t.Fatal(err)
	}
	return got
}

// The clock steps away while the board runs, and comes back: what was recorded meanwhile finds
// its place.
func TestAClockThatStepsAwayAndBack(t *testing.T) {
	t.Parallel()
	for name, off := range wrongClocks() {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := open(t, history.Options{})
			record(t, s, 0, 0, time.Hour, 0)
			record(t, s, 0, time.Hour, 90*time.Minute, off)
			if within, elsewhere := samples(t, s, 24*time.Hour); within != 360 || elsewhere != 0 {
				t.Errorf("while it is away %d samples are dated, want 360; %d lie elsewhere", within, elsewhere)
			}
			record(t, s, 0, 90*time.Minute, 2*time.Hour, 0)
			if within, elsewhere := samples(t, s, 2*time.Hour); within != 720 || elsewhere != 0 {
				t.Errorf("%d samples, want 720; %d lie elsewhere", within, elsewhere)
			}
		})
	}
}

// A board that was away for a winter is believed when its clocks agreed for hours, and then all
// that it recorded since its start is dated.
func TestALongAbsenceIsBelievedAfterHours(t *testing.T) {
	t.Parallel()
	const winter = 100 * 24 * time.Hour
	path := filepath.Join(t.TempDir(), "history.db")
	run(t, path, "autumn", 0, time.Hour, 0)
	s := open(t, history.Options{Path: path, Boot: "spring"})
	record(t, s, winter, 0, time.Hour, 0)
	if within, elsewhere := samples(t, s, time.Hour); within != 360 || elsewhere != 0 {
		t.Errorf("%d samples of autumn, want 360; %d lie elsewhere", within, elsewhere)
	}
	if p := s.Problem(); !strings.Contains(p, "the clock says 2027-02-28, the record ends at 2026-11-20") {
		t.Errorf("the doubt is not told: %q", p)
	}
	record(t, s, winter, time.Hour, 3*time.Hour, 0)
	if p := s.Problem(); p != "" {
		t.Errorf("the doubt is over, but %q", p)
	}
	if _, elsewhere := samples(t, s, time.Hour); elsewhere != 3*360 {
		t.Errorf("%d samples of spring, want %d", elsewhere, 3*360)
	}
}

// A board in a brown-out never runs for hours. Two starts of it that agree are enough.
func TestShortRunsAfterALongAbsence(t *testing.T) {
	t.Parallel()
	const winter = 100 * 24 * time.Hour
	path := filepath.Join(t.TempDir(), "history.db")
	run(t, path, "autumn", 0, time.Hour, 0)
	run(t, path, "noon", winter, 20*time.Minute, 0)
	run(t, path, "next noon", winter+24*time.Hour, 20*time.Minute, 0)
	if within, elsewhere := rows(t, path, time.Hour); within != 360 || elsewhere != 240 {
		t.Errorf("%d samples of autumn, %d of spring; want 360 and 240", within, elsewhere)
	}
}

// A file into which samples of the future found their way, here because the very first start had
// the wrong clock, mends itself once the clock is known to be right.
func TestSamplesOfTheFutureAreDatedAnew(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "history.db")
	ahead := wrongClocks()["2100"]
	s := open(t, history.Options{Path: path, Boot: "one"})
	record(t, s, 0, 0, time.Hour, ahead)
	record(t, s, 0, time.Hour, 4*time.Hour, 0)
	if within, elsewhere := samples(t, s, 4*time.Hour); within != 4*360 || elsewhere != 0 {
		t.Errorf("in the same start: %d samples, want %d; %d lie elsewhere", within, 4*360, elsewhere)
	}
	if got := lookup(t, s, history.Query{From: begin().Add(ahead), To: begin().Add(ahead + time.Hour), Points: 12}); len(got.Times) != 0 {
		t.Errorf("%d sums lie in the future", len(got.Times))
	}

	other := filepath.Join(t.TempDir(), "history.db")
	run(t, other, "one", 0, time.Hour, ahead)
	run(t, other, "two", 2*time.Hour, 4*time.Hour, 0)
	if within, elsewhere := rows(t, other, 6*time.Hour); within != 4*360 || elsewhere != 0 {
		t.Errorf("in a later start: %d samples, want %d; %d lie elsewhere", within, 4*360, elsewhere)
	}
}

// A board without a clock records, its daemon is started anew, the clock is set, and then the power
// fails before the next batch: what lay undated on the card has its place already.
func TestUndatedSamplesFindTheirPlaceAtOnce(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "history.db")
	add := func(s *history.Store, m time.Duration, trusted bool) {
		x := moment(factstest.Rich(), m, true)
		x.At.Mono, x.At.Trusted = m, trusted
		s.Add(x)
	}
	s := open(t, history.Options{Path: path, Boot: "one"})
	for m := time.Duration(0); m < 10*time.Minute; m += 10 * time.Second {
		add(s, m, false)
	}
	if err := s.Close(context.WithoutCancel(t.Context())); err != nil {
		t.Fatal(err)
	}
	s = open(t, history.Options{Path: path, Boot: "one"})
	add(s, 11*time.Minute, true)
	samples(t, s, time.Hour) // it has been taken in
	card := filepath.Join(t.TempDir(), "card")
	if err := os.CopyFS(card, os.DirFS(filepath.Dir(path))); err != nil {
		t.Fatal(err)
	}
	if within, elsewhere := rows(t, filepath.Join(card, "history.db"), time.Hour); within != 61 || elsewhere != 0 {
		t.Errorf("after the cut %d samples have their place, want 61; %d lie elsewhere", within, elsewhere)
	}
}
