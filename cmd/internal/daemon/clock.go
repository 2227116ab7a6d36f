package daemon

import (
	"os"
	"runtime"
	"strconv"
	"strings"
	"time"

	"golang.org/x/sys/unix"

	"ebbwatch/collector/reading"
)

// Clock gives the two clocks of a real board; the monotonic one counts from the start of the
// process. It is used by one goroutine.
type Clock struct {
	began   time.Time
	trusted bool
}

// NewClock starts counting.
func NewClock() *Clock { return &Clock{began: time.Now()} }

// Now is the present moment. Once the wall clock was found right it stays trusted: a board
// drifts by seconds a day.
func (c *Clock) Now() reading.Stamp {
	now := time.Now()
	c.trusted = c.trusted || kernelSynced() || hardwareClock(now)
	return reading.Stamp{Mono: now.Sub(c.began), Wall: now, Trusted: c.trusted}
}

// kernelSynced tells whether a time service keeps the clock (adjtimex(2): not STA_UNSYNC).
func kernelSynced() bool {
	var t unix.Timex
	state, err := unix.Adjtimex(&t)
	return err == nil && state != unix.TIME_ERROR && t.Status&unix.STA_UNSYNC == 0
}

// hardwareClock tells whether a battery-backed clock agrees with the wall clock within a
// minute. A PC always has one, and its kernel has set itself by it, but a container or a
// virtual machine may not show it.
func hardwareClock(now time.Time) bool {
	const year2025 = 1735689600 // a clock whose battery is empty starts decades before
	text, err := os.ReadFile("/sys/class/rtc/rtc0/since_epoch")
	if err != nil {
		return isPC(runtime.GOARCH) && now.Unix() > year2025
	}
	seconds, err := strconv.ParseInt(strings.TrimSpace(string(text)), 10, 64)
	off := now.Sub(time.Unix(seconds, 0))
	return err == nil && seconds > year2025 && off.Abs() < time.Minute
}

func isPC(arch string) bool { return arch == "amd64" || arch == "386" }
