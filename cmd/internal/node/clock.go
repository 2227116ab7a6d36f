package node

import (
	"os"
	"strconv"
	"strings"
	"time"

	"golang.org/x/sys/unix"

	"ebbwatch/collector/reading"
)

// Clock gives the two clocks of a real board. The monotonic one goes on from where the last
// run left off, plus the time that passed unseen, so that a belief can age over a restart.
// It is used by one goroutine.
type Clock struct {
	began   time.Time     // of this process
	base    time.Duration // monotonic time at began
	saved   time.Time     // wall time when the last run saved; zero when there was none
	trusted bool
	counted bool // the unseen time is in base
}

// NewClock goes on from what the last run saved: its monotonic and its wall time.
func NewClock(mono time.Duration, saved time.Time) *Clock {
	c := &Clock{began: time.Now(), base: mono, saved: saved, counted: saved.IsZero()}
	c.Now()
	return c
}

// Now is the present moment. Once the wall clock was found right it stays trusted: a board
// drifts by seconds a day. When trust comes late, the unseen time is added then.
func (c *Clock) Now() reading.Stamp {
	now := time.Now()
	c.trusted = c.trusted || kernelSynced() || hardwareClock(now)
	if c.trusted && !c.counted {
		c.base += max(0, now.Add(-time.Since(c.began)).Sub(c.saved))
		c.counted = true
	}
	return reading.Stamp{Mono: c.base + time.Since(c.began), Wall: now, Trusted: c.trusted}
}

// kernelSynced tells whether a time service keeps the clock (adjtimex(2): not STA_UNSYNC).
func kernelSynced() bool {
	var t unix.Timex
	state, err := unix.Adjtimex(&t)
	return err == nil && state != unix.TIME_ERROR && t.Status&unix.STA_UNSYNC == 0
}

// hardwareClock tells whether a battery-backed clock agrees with the wall clock within a
// minute.
func hardwareClock(now time.Time) bool {
	text, err := os.ReadFile("/sys/class/rtc/rtc0/since_epoch")
	if err != nil {
		return false
	}
	seconds, err := strconv.ParseInt(strings.TrimSpace(string(text)), 10, 64)
	off := now.Sub(time.Unix(seconds, 0))
	const year2025 = 1735689600 // an empty clock starts decades before
	return err == nil && seconds > year2025 && off.Abs() < time.Minute
}
