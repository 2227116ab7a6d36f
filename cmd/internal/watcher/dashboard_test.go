package watcher

import (
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"ebbwatch/alert/watch"
	"ebbwatch/collector/needtest"
)

// TestARealDashboard scrapes a node with a real Prometheus and asks that: while it scrapes,
// it shows new numbers; when the node is gone from it, it is up and shows nothing new.
func TestARealDashboard(t *testing.T) {
	t.Parallel()
	program := needtest.Program(t, "prometheus")
	var gone atomic.Bool
	node := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		if gone.Load() {
			http.Error(w, "gone", http.StatusServiceUnavailable)
			return
		}
		fmt.Fprintln(w, "ebbwatch_clock_trusted 1")
	}))
	defer node.Close()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := l.Addr().String()
	l.Close() // Prometheus has no way to be handed a listener
	dir := t.TempDir()
	text := fmt.Sprintf("global: {scrape_interval: 1s}\nscrape_configs:\n  - {job_name: ebbwatch, static_configs: [{targets: [%q]}]}\n", strings.TrimPrefix(node.URL, "http://"))
	if err := os.WriteFile(filepath.Join(dir, "prometheus.yml"), []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), program, "--config.file="+filepath.Join(dir, "prometheus.yml"), "--storage.tsdb.path="+filepath.Join(dir, "data"), "--web.listen-address="+address)
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = cmd.Wait() }) // killed by the context
	c := many(1, &ear{})
	c.Dashboard = &Dashboard{URL: "http://" + address, Query: "time() - max(timestamp(ebbwatch_clock_trusted))", Stale: 30 * time.Second}
	w := New(Options{Config: c, Log: quiet()})
	list, _ := ways(c)
	key := wayKey("", "dashboard")
	w.tracks[key] = &track{}
	look := func() (up, fresh watch.Seen) {
		for _, x := range list {
			if x.what == "dashboard" {
				w.take(outcome{key, time.Now(), w.ask.ask(t.Context(), x.q), -1})
			}
		}
		s := w.scene(time.Now())
		return s.DashboardUp, s.DashboardFresh
	}
	wait := func(what string, wantUp, wantFresh watch.Seen) {
		t.Helper()
		limit, tick := time.After(60*time.Second), time.NewTicker(300*time.Millisecond)
		defer tick.Stop()
		for {
			up, fresh := look()
			if up == wantUp && fresh == wantFresh {
				return
			}
			select {
			case <-limit:
				t.Fatalf("%s: up %v, fresh %v (%s)", what, up, fresh, w.tracks[key].err)
			case <-tick.C:
			}
		}
	}
	wait("it scrapes", watch.Yes, watch.Yes)
	gone.Store(true)
	wait("the node is gone from it", watch.Yes, watch.No)
	if err := cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	wait("it is dead", watch.No, watch.Unknown)
}
