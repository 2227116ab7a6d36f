package main

import (
	"context"
	"fmt"
	"math/rand/v2"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"ebbwatch/alert"
	"ebbwatch/collector/sim"
)

// child runs ebbwatch as a process of its own, which can be killed.
func child(t *testing.T, env []string, args ...string) (*exec.Cmd, *screen) {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd, out := exec.Command(self, args...), &screen{}
	cmd.Env = append(append(os.Environ(), asMain+"=1"), env...)
	cmd.Stdout, cmd.Stderr = out, out
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = cmd.Process.Kill() // it may have ended already
		_ = cmd.Wait()
	})
	return cmd, out
}

// The warning was raised while its receiver could not be reached, and the daemon is killed
// without notice, again and again. Once the receiver is back the warning arrives, and
// however often, with one id.
func TestWarningSurvivesKillNine(t *testing.T) {
	t.Parallel()
	hook := newReceiver(t)
	hook.away.Store(true)
	file := configure(t, slave(t, tired()), hook.URL)
	rng := rand.New(rand.NewPCG(1, 2))
	for range 8 {
		cmd, out := child(t, nil, "run", "--config", file)
		eventually(t, 20*time.Second, "it runs", func() bool { return out.page() != "" })
		if hook.turnedAway.Load() == 0 {
			eventually(t, 20*time.Second, "it tried to send", func() bool { return hook.turnedAway.Load() > 0 })
		}
		<-time.After(time.Duration(rng.IntN(400)) * time.Millisecond)
		if err := cmd.Process.Kill(); err != nil {
			t.Fatal(err)
		}
		_ = cmd.Wait() // it was killed
	}
	hook.away.Store(false)
	_, out := child(t, nil, "run", "--config", file)
	eventually(t, 60*time.Second, "the warning arrives", func() bool { return len(hook.notices("low_volts")) > 0 })
	ids := map[string]bool{}
	for _, n := range hook.notices("low_volts") {
		ids[n.ID] = true
		if n.Phase != alert.Raised {
			t.Errorf("phase %s, want raised", n.Phase)
		}
	}
	if len(ids) != 1 {
		t.Errorf("one alarm came under %d ids: %v\n%s", len(ids), ids, out)
	}
}

// A stop is clean and quick, also while the device does not answer.
func TestSIGTERMEndsCleanly(t *testing.T) {
	t.Parallel()
	l, err := net.Listen("tcp", "127.0.0.1:0") // takes connections and never answers
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	hook := newReceiver(t)
	file := configure(t, fmt.Sprintf("tcp: %q", l.Addr()), hook.URL)
	cmd, out := child(t, nil, "run", "--config", file)
	eventually(t, 20*time.Second, "it runs", func() bool { return out.page() != "" })
	if err := cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	done := make(chan error, 1)
	go func() { done <- cmd.Wait() }()
	select {
	case err := <-done:
		if err != nil {
			t.Errorf("it ended with %v:\n%s", err, out)
		}
	case <-time.After(5 * time.Second):
		t.Errorf("it did not end within 5 s:\n%s", out)
	}
	state := filepath.Join(filepath.Dir(file), "state")
	for _, name := range []string{"node", "alerts"} {
		if _, err := os.Stat(filepath.Join(state, name)); err != nil {
			t.Errorf("%s was not saved: %v", name, err)
		}
	}
}

// A damaged state is set aside and told of; the daemon starts all the same.
func TestDamagedState(t *testing.T) {
	t.Parallel()
	hook := newReceiver(t)
	file := configure(t, slave(t, tired()), hook.URL)
	state := filepath.Join(filepath.Dir(file), "state")
	if err := os.MkdirAll(state, 0o700); err != nil {
		t.Fatal(err)
	}
	write(t, filepath.Join(state, "node"), "not what was saved")
	out, _ := start(t, "run", "--config", file)
	eventually(t, 20*time.Second, "the battery is believed in", func() bool {
		body, _ := get(t, out.page()+"/metrics")
		return strings.Contains(body, "ebbwatch_battery_soc_ratio ")
	})
	if log := out.String(); !strings.Contains(log, filepath.Join(state, "node")) {
		t.Errorf("the log does not name the damaged file:\n%s", log)
	}
	if aside, _ := filepath.Glob(filepath.Join(state, "node.damaged-*")); len(aside) != 1 {
		t.Errorf("the damaged file was not set aside: %v", aside)
	}
}

// systemd is told that the daemon is ready once every part is, and its watchdog is fed.
func TestSystemdIsTold(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "notify")
	socket, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	defer socket.Close()
	hook := newReceiver(t)
	cmd, out := child(t, []string{"NOTIFY_SOCKET=" + path, "WATCHDOG_USEC=2000000"}, "run", "--config", configure(t, slave(t, tired()), hook.URL))
	want := map[string]int{"READY=1": 1, "WATCHDOG=1": 2}
	buf := make([]byte, 256)
	for len(want) > 0 {
		if err := socket.SetReadDeadline(time.Now().Add(20 * time.Second)); err != nil {
			t.Fatal(err)
		}
		n, err := socket.Read(buf)
		if err != nil {
			t.Fatalf("still waiting for %v: %v\n%s", want, err, out)
		}
		said := string(buf[:n])
		if want[said]--; want[said] == 0 {
			delete(want, said)
		}
	}
	if err := cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
}

// An instrument that never answers does not keep the daemon from being ready, else systemd would
// end it and start it again for ever.
func TestOneSourceThatHangsDelaysReadinessOnly(t *testing.T) {
	t.Parallel()
	for name, answers := range map[string]time.Duration{"all answer": 5 * time.Second, "one hangs": 100 * time.Hour} {
		synctest.Test(t, func(t *testing.T) {
			var told []time.Duration
			began := time.Now()
			tell := teller(readyLimit, 0, func(string) { told = append(told, time.Since(began)) })
			for range 30 { // five minutes of steps
				tell(time.Since(began) >= answers)
				time.Sleep(10 * time.Second)
			}
			if want := min(10*time.Second, answers+5*time.Second); name == "all answer" && (len(told) != 1 || told[0] != want) {
				t.Errorf("%s: told at %v, want at %s", name, told, want)
			}
			if name == "one hangs" && (len(told) != 1 || told[0] != readyLimit) {
				t.Errorf("%s: told at %v, want at %s", name, told, readyLimit)
			}
		})
	}
}

// The reading of a scrape is never a question on the wire.
func TestScrapeNeverTouchesTheWire(t *testing.T) {
	t.Parallel()
	var asked atomic.Int64
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	var slaves sync.WaitGroup
	slaves.Go(func() {
		s := &sim.Slave{Unit: 1, Registers: func(_ byte, _, count int) ([]uint16, byte) {
			asked.Add(1)
			return make([]uint16, count), 0
		}}
		_ = s.ServeTCP(ctx, l) // ends with the context
	})
	defer slaves.Wait()
	defer cancel()
	hook := newReceiver(t)
	file := configure(t, fmt.Sprintf("tcp: %q", l.Addr()), hook.URL)
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	write(t, file, strings.Replace(string(text), "every: 1s", "every: 10m", 1))
	out, _ := start(t, "run", "--config", file)
	eventually(t, 20*time.Second, "the first poll is over", func() bool {
		_, status := get(t, out.page()+"/-/ready")
		return status == http.StatusOK
	})
	before := asked.Load()
	for range 100 {
		for _, path := range []string{"/metrics", "/", "/api/v1/state"} {
			if _, status := get(t, out.page()+path); status != http.StatusOK {
				t.Fatalf("%s answers %d", path, status)
			}
		}
	}
	if after := asked.Load(); after != before || before == 0 {
		t.Errorf("the device was asked %d times before 300 views and %d after", before, after)
	}
}
