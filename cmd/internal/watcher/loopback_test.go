package watcher

import (
	"context"
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"sync/atomic"
	"testing"
	"time"
)

// TestTwoHundredOnLoopback asks 200 pages of one real server: all of them are heard, with
// few connections at once, and none stays open.
func TestTwoHundredOnLoopback(t *testing.T) {
	t.Parallel()
	var open, most atomic.Int64
	far := httptest.NewUnstartedServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		fmt.Fprintf(w, `{"site": "node", "at": %q, "battery": {"soc": 0.7}}`, time.Now().Format(time.RFC3339))
	}))
	far.Config.ConnState = func(_ net.Conn, s http.ConnState) {
		switch s {
		case http.StateNew:
			now := open.Add(1)
			for was := most.Load(); now > was && !most.CompareAndSwap(was, now); was = most.Load() {
			}
		case http.StateClosed:
			open.Add(-1)
		}
	}
	far.Start()
	defer far.Close()
	c := many(200, &ear{})
	c.Every = 2 * time.Second
	for i := range c.Nodes {
		c.Nodes[i].State, c.Nodes[i].Site = fmt.Sprintf("%s/node/%d", far.URL, i), "node"
	}
	w := New(Options{Config: c, Log: quiet()})
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- w.Run(ctx) }()
	heard := func() (n int) {
		if v := w.View(); v != nil {
			for _, x := range v.Nodes {
				if x.Heard != nil && *x.Heard && x.Charge != nil && *x.Charge == 0.7 {
					n++
				}
			}
		}
		return n
	}
	limit, tick := time.After(60*time.Second), time.NewTicker(100*time.Millisecond)
	defer tick.Stop()
	for heard() < 200 {
		select {
		case <-limit:
			t.Fatalf("%d of 200 are heard", heard())
		case <-tick.C:
		}
	}
	cancel()
	if err := <-done; err != nil {
		t.Error(err)
	}
	t.Logf("at most %d connections at once", most.Load())
	if most.Load() > maxWorkers {
		t.Errorf("%d connections at once", most.Load())
	}
}
