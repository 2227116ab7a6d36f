package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"ebbwatch/alert"
	"ebbwatch/collector/sim"
)

// asMain makes the test binary behave as ebbwatch itself, for the tests that kill it.
const asMain = "EBBWATCH_TEST_AS_MAIN"

func TestMain(m *testing.M) {
	if os.Getenv(asMain) != "" {
		main()
		return
	}
	if told := os.Getenv(asSoak); told != "" {
		if err := soakDaemon(told); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		return
	}
	os.Exit(m.Run())
}

// eventually waits for a condition, looking often.
func eventually(t testing.TB, limit time.Duration, what string, ok func() bool) {
	t.Helper()
	deadline, tick := time.After(limit), time.NewTicker(50*time.Millisecond)
	defer tick.Stop()
	for !ok() {
		select {
		case <-deadline:
			t.Fatalf("after %s still not: %s", limit, what)
		case <-tick.C:
		}
	}
}

// screen keeps what a program prints.
type screen struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (s *screen) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.Write(p)
}

func (s *screen) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.String()
}

// page is the address that the program printed, or empty.
func (s *screen) page() string {
	m := regexp.MustCompile(`http://127\.0\.0\.1:\d+`).FindString(s.String())
	return m
}

// program starts another program for the length of the test, and returns once it has printed
// a line that begins with ready.
func program(t *testing.T, ready string, name string, args ...string) {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), name, args...)
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	cmd.Stderr = cmd.Stdout
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = cmd.Wait() }) // killed by the context
	lines := bufio.NewScanner(out)
	var seen strings.Builder
	for lines.Scan() {
		seen.WriteString(lines.Text() + "\n")
		if strings.Contains(lines.Text(), ready) {
			go func() { _, _ = io.Copy(io.Discard, out) }()
			return
		}
	}
	t.Fatalf("%s did not start:\n%s", name, seen.String())
}

// start runs ebbwatch in this process; stop ends it and gives its exit code.
func start(t *testing.T, args ...string) (out *screen, stop func() int) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	out = &screen{}
	code := make(chan int, 1)
	go func() { code <- run(ctx, args, out, out) }()
	var once sync.Once
	var got int
	stop = func() int {
		once.Do(func() {
			cancel()
			select {
			case got = <-code:
			case <-time.After(15 * time.Second):
				t.Error("ebbwatch did not end")
			}
		})
		return got
	}
	t.Cleanup(func() { stop() })
	return out, stop
}

// receiver is an HTTP receiver of notices.
type receiver struct {
	*httptest.Server
	away       atomic.Bool // it answers 503
	turnedAway atomic.Int64
	mu         sync.Mutex
	got        []alert.Notice
}

func newReceiver(t testing.TB) *receiver {
	t.Helper()
	r := &receiver{}
	r.Server = httptest.NewServer(r)
	t.Cleanup(r.Close)
	return r
}

// ServeHTTP takes a notice.
func (r *receiver) ServeHTTP(w http.ResponseWriter, req *http.Request) {
	if r.away.Load() {
		r.turnedAway.Add(1)
		http.Error(w, "closed for lunch", http.StatusServiceUnavailable)
		return
	}
	var n alert.Notice
	if err := json.NewDecoder(req.Body).Decode(&n); err != nil {
		http.Error(w, err.Error(), http.StatusBadRequest)
		return
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.got = append(r.got, n)
}

// notices gives those of a rule so far, or all of them.
func (r *receiver) notices(rule string) []alert.Notice {
	r.mu.Lock()
	defer r.mu.Unlock()
	var out []alert.Notice
	for _, n := range r.got {
		if n.Rule == rule || rule == "" {
			out = append(out, n)
		}
	}
	return out
}

// words are the registers of the small controller of these tests, by address.
type words map[int]uint16

func (w words) args() []string {
	var out []string
	for a, v := range w {
		out = append(out, fmt.Sprintf("%d=%d", a, v))
	}
	return out
}

// tired is a battery at 12.75 V that gives 5 A, without sun: it will not last.
func tired() words {
	amps := int16(-500)
	return words{10: 1275, 11: uint16(amps), 12: 0, 13: 638}
}

const tiredMap = `registers:
  - {quantity: battery_volts, table: input, address: 10, scale: 0.01}
  - {quantity: battery_amps, table: input, address: 11, type: s16, scale: 0.01}
  - {quantity: pv_watts, table: input, address: 12, scale: 0.1}
  - {quantity: load_watts, table: input, address: 13, scale: 0.1}
`

// configure writes a configuration and its map; wire is the place of the source's device.
func configure(t testing.TB, wire, hook string) (file string) {
	t.Helper()
	dir := t.TempDir()
	text := fmt.Sprintf(`site: {name: slipway, latitude: 52.75, longitude: 6.57, timezone: Europe/Amsterdam}
battery: {capacity_ah: 80, initial_soc: 0.35}
array: {watts_peak: 240, tilt_deg: 60}
sources:
  - {name: charger, every: 1s, modbus: {%s, unit: 1, map: charger.yaml}}
alerts:
  quiet: "off"
  rules:
    - {name: low_volts, when: battery_volts < 13, for: 0s, title: "low volts", text: "the battery is at {{watts 1}}", severity: warning}
notify:
  - {name: owner, webhook: {url: %q}}
web: {listen: "127.0.0.1:0"}
state: state
`, wire, hook)
	write(t, filepath.Join(dir, "charger.yaml"), tiredMap)
	file = filepath.Join(dir, "ebbwatch.yaml")
	write(t, file, text)
	return file
}

// findable gives a configuration an address that the other commands can be told, or find in
// it themselves.
func findable(t *testing.T, file string) (address string) {
	t.Helper()
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	address = freePort(t)
	write(t, file, strings.Replace(string(text), "127.0.0.1:0", address, 1))
	return address
}

func write(t testing.TB, path, text string) {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
}

// slave serves the words over Modbus/TCP from this process, for the tests whose subject is
// not the wire.
func slave(t testing.TB, w words) (wire string) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	s := &sim.Slave{Unit: 1, Registers: func(_ byte, address, count int) ([]uint16, byte) {
		regs := make([]uint16, count)
		for i := range regs {
			regs[i] = w[address+i]
		}
		return regs, 0
	}}
	done := make(chan error, 1)
	ctx, cancel := context.WithCancel(context.Background())
	go func() { done <- s.ServeTCP(ctx, l) }()
	t.Cleanup(func() { cancel(); <-done })
	return fmt.Sprintf("tcp: %q", l.Addr())
}

// get fetches a path of the daemon.
func get(t testing.TB, url string) (body string, status int) {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, url, nil)
	if err != nil {
		t.Fatal(err)
	}
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		return err.Error(), 0
	}
	defer res.Body.Close()
	b, err := io.ReadAll(res.Body)
	if err != nil {
		return err.Error(), 0
	}
	return string(b), res.StatusCode
}

// freePort is a loopback address that nothing listens on just now.
func freePort(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}
