package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"runtime/metrics"
	"strconv"
	"strings"
	"time"

	"ebbwatch/cmd/internal/config"
	"ebbwatch/cmd/internal/cost"
	"ebbwatch/cmd/internal/daemon"
	"ebbwatch/cmd/internal/history"
	"ebbwatch/cmd/internal/statedir"
	"ebbwatch/collector/reading"
	"ebbwatch/collector/sim"
)

// asSoak makes the test binary the daemon of the soak: a node whose time runs fast. It holds
// the folder of the soak and the speed.
const asSoak = "EBBWATCH_TEST_SOAK"

// soakDaemon is the daemon as it is, but for its clock, which a file may step.
func soakDaemon(told string) error {
	dir, factor, _ := strings.Cut(told, "@")
	speed, err := strconv.ParseFloat(factor, 64)
	if err != nil {
		return err
	}
	thrifty()
	c, err := loadOrSay(os.Stderr, filepath.Join(dir, "ebbwatch.yaml"), config.All())
	if err != nil {
		return err
	}
	ring := &logRing{}
	log := newLogger(os.Stderr, ring)
	store, err := statedir.Open(c.State)
	if err != nil {
		return err
	}
	defer store.Close()
	o := options(c, log, ring)
	o.Store, o.Extras, o.Speed, o.Tick, o.Clock = store, newOwn(c).facts, speed, c.Sources[0].Every, soakClock(dir, speed)
	o.Plan.Boot, o.Plan.Up = "soak", time.Duration(float64(time.Since(soakEpoch(dir)))*speed) // kills do not restart the board
	h := history.Open(historyOptions(c, log))
	d := service{options: o, listen: c.Web.Listen, history: h, started: func(address string) {
		log.Info("watching", "page", "http://"+address+"/")
	}}
	d.options.Troubles, d.options.Noticed = troubles(h.Problem), notes(h)
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	go reportUse(dir, speed)
	tasks := daemon.NewTasks(ctx)
	tasks.OnStop("the history", 1500*time.Millisecond, h.Close)
	return d.serve(tasks)
}

// soakEpoch is the moment at which the soak began; every life of the daemon counts from it.
func soakEpoch(dir string) time.Time {
	text, _ := os.ReadFile(filepath.Join(dir, "epoch")) // the soak wrote it
	nanos, _ := strconv.ParseInt(string(text), 10, 64)
	return time.Unix(0, nanos)
}

// soakNow is the true moment at the node, after so much real time.
func soakNow(real time.Duration, speed float64) time.Time {
	return sim.DemoStart().Add(time.Duration(float64(real) * speed))
}

// soakClock runs fast from the epoch, with the steps of the file clock.
func soakClock(dir string, speed float64) func() reading.Stamp {
	began, epoch := time.Now(), soakEpoch(dir)
	return func() reading.Stamp {
		now := time.Now()
		step, _ := os.ReadFile(filepath.Join(dir, "clock")) // absent: no step
		off, _ := time.ParseDuration(string(step))
		return reading.Stamp{
			Mono: time.Duration(float64(now.Sub(began)) * speed), Wall: soakNow(now.Sub(epoch), speed).Add(off), Trusted: true,
		}
	}
}

// useEvery is how often, in the node's time, the daemon writes down what it holds on to.
const useEvery = 5 * time.Minute

// reportUse writes, for whoever looks for leaks, a line now and then: process, hours since the
// epoch, goroutines, descriptors, bytes that are resident, those of them that are no part of the
// program's file, and those of live objects.
func reportUse(dir string, speed float64) {
	f, err := os.OpenFile(filepath.Join(dir, "use"), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return // the soak misses the lines
	}
	epoch := soakEpoch(dir)
	live := []metrics.Sample{{Name: "/gc/heap/live:bytes"}}
	for range time.Tick(time.Duration(float64(useEvery) / speed)) {
		use, _ := cost.Read("/proc", os.Getpid()) // NaN where it is not known
		open, _ := os.ReadDir("/proc/self/fd")
		metrics.Read(live)
		var size, resident, shared float64 // pages, see proc(5)
		statm, _ := os.ReadFile("/proc/self/statm")
		_, _ = fmt.Sscan(string(statm), &size, &resident, &shared)
		hours := time.Since(epoch).Hours() * speed
		fmt.Fprintln(f, os.Getpid(), hours, runtime.NumGoroutine(), len(open), use.ResidentBytes, (resident-shared)*float64(os.Getpagesize()), live[0].Value.Uint64())
	}
}
