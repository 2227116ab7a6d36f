package main

import (
	"errors"
	"fmt"
	"net"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ebbwatch/alert"
	"ebbwatch/cmd/internal/config"
	"ebbwatch/collector/ping"
)

// The daemon says what it costs, on the page and as metrics.
func TestOwnCostIsShown(t *testing.T) {
	t.Parallel()
	file := configure(t, slave(t, tired()), newReceiver(t).URL)
	out, _ := start(t, "run", "--config", file)
	eventually(t, 20*time.Second, "it runs", func() bool { return out.page() != "" })
	for _, name := range []string{"ebbwatch_own_cpu_seconds_total ", "ebbwatch_own_resident_bytes ", "ebbwatch_own_wakeups_total ", "ebbwatch_own_written_bytes_total ", "ebbwatch_own_sent_bytes_total ", "ebbwatch_polls_thinned "} {
		eventually(t, 10*time.Second, name+"is exported", func() bool {
			body, _ := get(t, out.page()+"/metrics")
			return strings.Contains(body, "\n"+name)
		})
	}
	if page, _ := get(t, out.page()+"/"); !strings.Contains(page, "MB of 40 MB") {
		t.Error("the page does not show the memory beside its budget")
	}
}

// Every part that reaches out over the network counts what it sends; instruments on the
// node's own wire do not.
func TestWhatIsSentIsCounted(t *testing.T) {
	t.Parallel()
	hook := newReceiver(t)
	dir := t.TempDir()
	file := filepath.Join(dir, "ebbwatch.yaml")
	write(t, filepath.Join(dir, "charger.yaml"), tiredMap)
	write(t, file, fmt.Sprintf(`site: {name: slipway, latitude: 52.75, longitude: 6.57}
battery: {capacity_ah: 80}
sources:
  - {name: charger, every: 10s, modbus: {%s, unit: 1, map: charger.yaml}}
  - {name: path, every: 30s, ping: {hosts: {gate: 127.0.0.1}}}
  - {name: others, every: 60s, peer: {nodes: {gate: %q}}}
notify:
  - {name: owner, webhook: {url: %[2]q}}
  - {name: club, alertmanager: {url: %[2]q}}
  - {name: post, mail: {host: 127.0.0.1, port: %[3]d, security: none, from: a@boathouse.example, to: [b@boathouse.example]}}
state: state
`, slave(t, tired()), hook.URL, curt(t)))
	c, problems := load(file, config.All())
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	// An answer may be here before the goroutine that wrote the question has counted it.
	counts := func(who string, least, most int64, before int64) {
		t.Helper()
		eventually(t, 10*time.Second, who+" is counted", func() bool { return c.sentBytes()-before >= least })
		if sent := c.sentBytes() - before; sent > most {
			t.Errorf("%s sent %d bytes", who, sent)
		}
	}
	for _, s := range c.Sources {
		before := c.sentBytes()
		_, err := s.Source.Read(t.Context()) // the peer is none, but it was asked
		switch {
		case errors.Is(err, ping.ErrNotAllowed):
			t.Logf("%s: %v", s.Name, err)
		case s.Name == "charger":
			counts(s.Name, 0, 0, before)
		default:
			counts(s.Name, 50, 2000, before)
		}
	}
	for _, n := range c.Notify {
		before := c.sentBytes()
		_ = n.Channel.Send(t.Context(), alert.Notice{ID: "x", Phase: alert.Raised, Severity: alert.Warning, Title: strings.Repeat("long ", 100), At: time.Now()}) // the receiver is not of each kind
		counts(n.Name, map[string]int64{"owner": 500, "club": 500, "post": 5}[n.Name], 5000, before)
	}
}

// curt is a mail server that hears the first word and hangs up; it gives its port.
func curt(t *testing.T) int {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	go func() {
		for c, err := l.Accept(); err == nil; c, err = l.Accept() {
			fmt.Fprint(c, "220 boathouse\r\n")
			_, _ = c.Read(make([]byte, 100)) // whatever it says
			c.Close()
		}
	}()
	return l.Addr().(*net.TCPAddr).Port
}

func TestDiskFree(t *testing.T) {
	t.Parallel()
	if free, ok := diskFree(t.TempDir()); !ok || free < 0 || free > 1 {
		t.Errorf("%v, %v", free, ok)
	}
	if _, ok := diskFree(filepath.Join(t.TempDir(), "nowhere")); ok {
		t.Error("a folder that is not there has a disk")
	}
}
