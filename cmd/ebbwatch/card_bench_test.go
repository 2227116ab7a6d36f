package main

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"ebbwatch/cmd/internal/cardtest"
)

// BenchmarkCard is the daemon with its state on an ext4 file system of its own, whose time runs
// a hundred times as fast: it reports what reached the card, with the journal of the file system
// and all that it writes itself, and what the kernel counts as written by the daemon, which is
// what own_written_bytes tells. Between two batches the file system is made to settle, as it
// does by itself in five minutes of real time. By default it looks at six hours after the first
// two, in five minutes; EBBWATCH_STUDY=1 at a day after the first half, in 22.
//
//	go test ./cmd/ebbwatch -run '^$' -bench Card -benchtime 1x -timeout 1h
func BenchmarkCard(b *testing.B) {
	first, span := 2*time.Hour, 6*time.Hour
	if os.Getenv("EBBWATCH_STUDY") != "" {
		first, span = 12*time.Hour, 24*time.Hour
	}
	for b.Loop() {
		s := newSoak(b, soakPlan{seed: 9, speed: 100, every: 10 * time.Second, card: cardtest.Image(b, 2<<30)})
		state := filepath.Join(s.dir, "state")
		pass := func(d time.Duration) (device, own float64) {
			for end := time.Now().Add(time.Duration(float64(d) / s.speed)); time.Now().Before(end); {
				<-time.After(time.Second)
				if err := cardtest.Settle(state); err != nil {
					b.Fatal(err)
				}
			}
			return cardtest.Written(b, state), used(b, s.cmd).WrittenBytes
		}
		device, own := pass(first)
		device2, own2 := pass(span)
		days := span.Hours() / 24
		b.ReportMetric((device2-device)/days/1e6, "MB/day-device")
		b.ReportMetric((own2-own)/days/1e6, "MB/day-daemon")
		_ = s.cmd.Process.Kill() // before the card is taken out
		_ = s.cmd.Wait()         // it was killed
	}
}
