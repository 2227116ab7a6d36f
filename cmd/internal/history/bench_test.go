package history_test

import (
	"context"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"strconv"
	"testing"
	"time"

	"ebbwatch/cmd/internal/history"
)

// written is how many bytes this process has handed to write calls, from the kernel's own
// count. Every write of the history reaches the card, so it bounds the wear from above.
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

// BenchmarkDay records a day of samples every ten seconds and states what reaches the card.
func BenchmarkDay(b *testing.B) {
	var bytes, size float64
	for b.Loop() {
		path := filepath.Join(b.TempDir(), "history.db")
		s := history.Open(history.Options{Path: path, Boot: "boot one", Peers: []string{"gate", "boathouse", "island"}})
		was := written(b)
		for m := time.Duration(0); m < 24*time.Hour; m += 5 * time.Minute {
			fill(s, m, m+5*time.Minute, 10*time.Second, true)
			if err := s.Flush(context.Background()); err != nil {
				b.Fatal(err)
			}
		}
		if err := s.Close(context.Background()); err != nil {
			b.Fatal(err)
		}
		bytes = written(b) - was
		if info, err := os.Stat(path); err == nil {
			size = float64(info.Size())
		}
	}
	b.ReportMetric(bytes/1e6, "MB-written/day")
	b.ReportMetric(size/1e6, "MB-file/day")
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
