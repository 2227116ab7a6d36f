package history_test

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"strconv"
	"testing"
	"time"

	"ebbwatch/cmd/internal/cardtest"
	"ebbwatch/cmd/internal/history"
)

// written is how many bytes this process has handed to write calls, from the kernel's own
// count.
func written(b *testing.B) float64 {
	b.Helper()
	io, err := os.ReadFile("/proc/self/io")
	if err != nil {
		b.Skip("skipped: needs /proc/self/io")
	}
	n, err := strconv.ParseFloat(string(regexp.MustCompile(`wchar: (\d+)`).FindSubmatch(io)[1]), 64)
	if err != nil {
		b.Fatal(err)
	}
	return n
}

// BenchmarkDay records a first and a second day of samples every ten seconds on an ext4 file
// system of its own, and states what reaches the card of each: in the batches that are usual,
// and in those while all is well. After each batch the file system is made to settle, and its
// clock to tick, as it does in five minutes; run through at once it writes a third less.
func BenchmarkDay(b *testing.B) {
	for _, c := range []struct {
		name  string
		batch time.Duration
		sent  bool // each batch is sent on half a minute later
	}{{"usual", 5 * time.Minute, false}, {"calm", 10 * time.Minute, false}, {"sent-on", sentOnBatch, true}} {
		b.Run(c.name, func(b *testing.B) {
			for b.Loop() {
				card := b.TempDir()
				cardtest.Attach(b, cardtest.Image(b, 1<<30), card)
				path := filepath.Join(card, "history.db")
				s := history.Open(history.Options{Path: path, Boot: "boot one", Batch: c.batch, Peers: []string{"gate", "boathouse", "island"}})
				day := func(from time.Duration) float64 {
					was := cardtest.Written(b, card)
					for m := from; m < from+24*time.Hour; m += c.batch {
						<-time.After(12 * time.Millisecond)
						fill(s, m, m+c.batch, 10*time.Second, true)
						err := errors.Join(s.Flush(context.Background()), cardtest.Settle(card))
						if c.sent {
							err = errors.Join(err, acknowledgeAll(b, s), cardtest.Settle(card))
						}
						if err != nil {
							b.Fatal(err)
						}
					}
					return cardtest.Written(b, card) - was
				}
				handed := written(b)
				b.ReportMetric(day(0)/1e6, "MB-device/first-day")
				b.ReportMetric((written(b)-handed)/1e6, "MB-handed-over/first-day")
				b.ReportMetric(day(24*time.Hour)/1e6, "MB-device/second-day")
				if info, err := os.Stat(path); err == nil {
					b.ReportMetric(float64(info.Size())/2e6, "MB-file/day")
				}
				if err := s.Close(context.Background()); err != nil {
					b.Fatal(err)
				}
				cardtest.Detach(b, card)
			}
		})
	}
}

// sentOnBatch is how long samples wait where they are sent on and all is well.
const sentOnBatch = 7*time.Minute + 30*time.Second

// acknowledgeAll is a receiver that takes all that is lacking, after the card has settled.
func acknowledgeAll(b *testing.B, s *history.Store) error {
	<-time.After(12 * time.Millisecond)
	for {
		got, err := s.Unsent(b.Context(), "dashboard", 100)
		if err != nil || len(got) == 0 {
			return err
		}
		if err := s.Sent(b.Context(), "dashboard", got[len(got)-1].Seq); err != nil {
			return err
		}
	}
}

// BenchmarkWeek looks a week up in 500 points, all columns and only those of the chart.
func BenchmarkWeek(b *testing.B) {
	s := open(b, history.Options{Peers: []string{"gate", "boathouse", "island"}})
	for m := time.Duration(0); m < 7*24*time.Hour; m += time.Hour {
		fill(s, m, m+time.Hour, 10*time.Second, true)
		if err := s.Flush(context.Background()); err != nil {
			b.Fatal(err)
		}
	}
	for name, names := range map[string][]string{"all": nil, "chart": {"battery_soc", "battery_soc_low", "battery_soc_high"}} {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				q := history.Query{From: begin(), To: begin().Add(7 * 24 * time.Hour), Points: 500, Names: names}
				if got, err := s.Lookup(context.Background(), q); err != nil || len(got.Times) < 300 {
					b.Fatal(len(got.Times), err)
				}
			}
		})
	}
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	b.Logf("heap in use %.1f MB", float64(m.HeapInuse)/1e6)
}
