package main

import (
	"maps"
	"os"
	"strings"
	"time"

	"golang.org/x/sys/unix"

	"ebbwatch/cmd/internal/cost"
	"ebbwatch/cmd/internal/history"
	"ebbwatch/cmd/internal/remotewrite"
)

// own are the facts about the daemon itself: what it costs, how full the disk of its state is, and
// whether all of its configuration can be used.
type own struct {
	c       loaded
	meter   cost.Meter
	began   time.Time
	asked   time.Time
	known   map[string]float64
	unready []string
}

func newOwn(c loaded) *own { return &own{c: c, began: time.Now()} }

// facts are gathered at most every half minute, whoever asks how often. One goroutine asks.
func (o *own) facts() map[string]float64 {
	now := time.Now()
	if o.known != nil && now.Sub(o.asked) < 30*time.Second {
		return o.known
	}
	o.asked = now
	use, _ := cost.Read("/proc", os.Getpid()) // what is missing is unknown
	use.SentBytes = float64(o.c.sentBytes())
	o.known = o.meter.Take(now.Sub(o.began), use)
	if free, ok := diskFree(o.c.State); ok {
		o.known["disk_free_ratio"] = free
	}
	o.unready, o.known["config_accepted"] = o.c.unready(), 1
	if len(o.unready) > 0 {
		o.known["config_accepted"] = 0
	}
	return o.known
}

// troubles are the parts of the configuration that cannot be used, when that was last looked at.
func (o *own) troubles() string { return strings.Join(o.unready, "; ") }

// with adds what the parts beside the loop know.
func (o *own) with(h *history.Store, sending *remotewrite.Writer) func() map[string]float64 {
	return func() map[string]float64 {
		x := maps.Clone(o.facts())
		x["record_kept"] = 0
		if h.Kept() {
			x["record_kept"] = 1
		}
		if sending != nil {
			st := sending.Stats()
			x["remote_write_refused_total"], x["remote_write_since_refusal_seconds"] = float64(st.Refused), st.Since.Seconds()
		}
		return x
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
