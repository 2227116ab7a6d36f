package main

import (
	"os"
	"time"

	"golang.org/x/sys/unix"

	"ebbwatch/cmd/internal/cost"
)

// ownExtras gives the facts about the daemon itself: what it costs, and how full the disk of
// its state is. They are gathered at most every half minute, whoever asks how often.
func ownExtras(state string, sentBytes func() int64) func() map[string]float64 {
	var meter cost.Meter
	var asked time.Time
	var known map[string]float64
	began := time.Now()
	return func() map[string]float64 {
		now := time.Now()
		if known != nil && now.Sub(asked) < 30*time.Second {
			return known
		}
		asked = now
		use, _ := cost.Read("/proc", os.Getpid()) // what is missing is unknown
		use.SentBytes = float64(sentBytes())
		known = meter.Take(now.Sub(began), use)
		if free, ok := diskFree(state); ok {
			known["disk_free_ratio"] = free
		}
		return known
	}
}

// diskFree is the share of the disk that those without privileges may still fill.
func diskFree(folder string) (ratio float64, ok bool) {
	var s unix.Statfs_t
	if err := unix.Statfs(folder, &s); err != nil || s.Blocks == 0 {
		return 0, false
	}
	return float64(s.Bavail) / float64(s.Blocks), true
}
