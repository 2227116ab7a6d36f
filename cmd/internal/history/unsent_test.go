package history_test

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"ebbwatch/cmd/internal/facts/factstest"
	"ebbwatch/cmd/internal/history"
)

// Whatever the clock does, whoever sends samples on gets each of them once, in the order in
// which they found their place, and also after the daemon began anew.
func TestUnsentGivesEverySampleOnce(t *testing.T) {
	t.Parallel()
	seeds := uint64(12)
	if testing.Short() {
		seeds = 3
	}
	for seed := range seeds {
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			t.Parallel()
			rng := rand.New(rand.NewPCG(seed, 9))
			o := history.Options{Path: filepath.Join(t.TempDir(), "history.db"), Boot: "boot"}
			s := history.Open(o)
			base := factstest.Rich()
			var given []history.Record
			var step time.Duration // of the wall clock against the time since the start
			added, trusted := 0, true
			for m := time.Duration(0); m < 6*time.Hour; m += 10 * time.Second {
				switch rng.IntN(90) {
				case 0:
					step += time.Duration(rng.IntN(7200)-3600) * time.Second
				case 1:
					trusted = false
				case 2:
					trusted = true
				case 3:
					flush(t, s)
				case 4, 5:
					given = append(given, next(t, s, 1+rng.IntN(40), rng.IntN(3) > 0)...)
				case 6:
					if err := s.Close(t.Context()); err != nil {
						t.Fatal(err)
					}
					s = history.Open(o)
				}
				x := moment(base, m, trusted)
				if trusted {
					x.At.Wall = x.At.Wall.Add(step)
				}
				s.Add(x)
				added++
			}
			s.Add(moment(base, 6*time.Hour, true)) // all find their place
			added++
			for flush(t, s); ; {
				more := next(t, s, 100, true)
				if len(more) == 0 {
					break
				}
				given = append(given, more...)
			}
			if err := s.Close(t.Context()); err != nil {
				t.Fatal(err)
			}
			if len(given) != added || !slices.IsSortedFunc(given, bySeq) {
				t.Errorf("%d samples were added, %d given, in order: %v", added, len(given), slices.IsSortedFunc(given, bySeq))
			}
			given = slices.CompactFunc(given, func(a, b history.Record) bool { return a.Seq == b.Seq || a.At.Equal(b.At) })
			if len(given) != added {
				t.Errorf("only %d of them are unlike", len(given))
			}
		})
	}
}

func bySeq(a, b history.Record) int { return int(a.Seq - b.Seq) }

func flush(t *testing.T, s *history.Store) {
	t.Helper()
	if err := s.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
}

// next takes some samples, and acknowledges them; else they are to come again.
func next(t *testing.T, s *history.Store, limit int, acknowledge bool) []history.Record {
	t.Helper()
	got, err := s.Unsent(t.Context(), "dashboard", limit)
	if err != nil || len(got) > limit {
		t.Fatal(len(got), err)
	}
	if !acknowledge || len(got) == 0 {
		return nil
	}
	if err := s.Sent(t.Context(), "dashboard", got[len(got)-1].Seq); err != nil {
		t.Fatal(err)
	}
	return got
}

// A file of an older version has an index where newer ones have a list of what came late.
func TestUnsentOfAnOlderFile(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "history.db")
	s := open(t, history.Options{Path: path})
	flushed(t, s, 0, time.Hour, true)
	base := factstest.Rich()
	for m := time.Hour; m < 2*time.Hour; m += 10 * time.Second {
		x := moment(base, m, true)
		x.At.Wall = x.At.Wall.Add(-90 * time.Minute)
		s.Add(x)
	}
	flush(t, s)
	sent := next(t, s, 100, true)
	if err := s.Close(context.WithoutCancel(t.Context())); err != nil {
		t.Fatal(err)
	}
	db, err := sql.Open("sqlite", path)
	if err != nil {
		t.Fatal(err)
	}
	var late int
	_, err = db.Exec("CREATE INDEX raw_seq ON raw (seq)")
	err = errors.Join(err, db.QueryRow("SELECT count(*) FROM late").Scan(&late))
	_, err2 := db.Exec("DROP TABLE late")
	if err := errors.Join(err, err2, db.Close()); err != nil || late < 300 {
		t.Fatalf("%d came late, %v", late, err)
	}

	s = open(t, history.Options{Path: path})
	for {
		more := next(t, s, 100, true)
		if len(more) == 0 {
			break
		}
		sent = append(sent, more...)
	}
	if p := s.Problem(); p != "" || len(sent) != 720 || !slices.IsSortedFunc(sent, bySeq) {
		t.Errorf("%s; %d of 720 samples were given", p, len(sent))
	}
}
