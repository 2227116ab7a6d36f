package remotewrite_test

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"sync/atomic"
	"testing"
	"time"

	"ebbwatch/cmd/internal/facts/factstest"
	"ebbwatch/cmd/internal/history"
	"ebbwatch/cmd/internal/remotewrite"
	"ebbwatch/collector/needtest"
	"ebbwatch/collector/reading"
)

// link carries bytes to the server while it is up, and drops all while it is not.
type link struct {
	net.Listener
	to string
	up atomic.Bool
}

func newLink(t *testing.T, to string) *link {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	k := &link{Listener: l, to: to}
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go k.carry(c)
		}
	}()
	return k
}

func (k *link) carry(c net.Conn) {
	defer c.Close()
	if !k.up.Load() {
		return
	}
	far, err := net.Dial("tcp", k.to)
	if err != nil {
		return
	}
	defer far.Close()
	go func() { _, _ = io.Copy(far, c); far.Close() }() // a link only carries
	_, _ = io.Copy(c, far)
}

// prometheus starts Debian's Prometheus as a receiver that takes samples out of order.
func prometheus(t *testing.T) string {
	t.Helper()
	path := needtest.Program(t, "prometheus")
	dir := t.TempDir()
	file := filepath.Join(dir, "prometheus.yml")
	if err := os.WriteFile(file, []byte("storage:\n  tsdb:\n    out_of_order_time_window: 72h\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	free, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	addr := free.Addr().String()
	free.Close()
	ctx, cancel := context.WithCancel(context.Background())
	cmd := exec.CommandContext(ctx, path, "--config.file="+file, "--storage.tsdb.path="+filepath.Join(dir, "data"),
		"--web.listen-address="+addr, "--web.enable-remote-write-receiver", "--log.level=error")
	cmd.Stderr = os.Stderr
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { cancel(); _ = cmd.Wait() }) // it was told to end
	until(t, 30*time.Second, func() bool {
		resp, err := http.Get("http://" + addr + "/-/ready")
		if err != nil {
			return false
		}
		resp.Body.Close()
		return resp.StatusCode == http.StatusOK
	})
	return addr
}

// until waits for something in another process.
func until(t *testing.T, limit time.Duration, done func() bool) {
	t.Helper()
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	stop := time.After(limit)
	for !done() {
		select {
		case <-stop:
			t.Fatal("it did not come to pass")
		case <-tick.C:
		}
	}
}

// ask gives the one number that a query answers with.
func ask(t *testing.T, addr, query string) float64 {
	t.Helper()
	resp, err := http.Get("http://" + addr + "/api/v1/query?query=" + url.QueryEscape(query))
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	var a struct {
		Data struct {
			Result []struct {
				Value [2]any `json:"value"`
			} `json:"result"`
		} `json:"data"`
	}
	if err := json.NewDecoder(resp.Body).Decode(&a); err != nil {
		t.Fatal(err)
	}
	if len(a.Data.Result) != 1 {
		return 0
	}
	x, err := strconv.ParseFloat(a.Data.Result[0].Value[1].(string), 64)
	if err != nil {
		t.Fatal(err)
	}
	return x
}

// TestTheGapIsFilled cuts the link for 26 hours of recorded time, the first two of them
// without a clock. Afterwards Debian's Prometheus has every sample, once.
func TestTheGapIsFilled(t *testing.T) {
	t.Parallel()
	addr := prometheus(t)
	k := newLink(t, addr)
	store := history.Open(history.Options{Path: filepath.Join(t.TempDir(), "history.db"), Peers: []string{"gate"}, Boot: "one", Every: time.Second})
	defer func() {
		if err := store.Close(context.Background()); err != nil {
			t.Error(err)
		}
	}()
	const every, series = time.Minute, 17 // measured, believed and looked ahead, two chances, and three of the peer
	begin := time.Now().Add(-28 * time.Hour).Truncate(time.Minute)
	add := func(from, to time.Duration, trusted bool) {
		for m := from; m < to; m += every {
			s := factstest.Rich()
			s.At = reading.Stamp{Mono: m, Wall: begin.Add(m), Trusted: trusted}
			for q := range s.Reading {
				s.Reading[q].Age = 0
			}
			s.Peers[0].Age = 0
			store.Add(s)
			if m%(4*time.Hour) == 0 {
				if err := store.Flush(t.Context()); err != nil {
					t.Fatal(err)
				}
			}
		}
		if err := store.Flush(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	address := func() (string, error) { return fmt.Sprintf("http://%s/api/v1/write", k.Addr()), nil }
	w := remotewrite.New(store, remotewrite.Options{Address: address, Rate: 10e6, Every: 50 * time.Millisecond,
		Labels: map[string]string{"job": "ebbwatch", "instance": "slipway"}})
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan struct{})
	go func() { defer close(ended); w.Run(ctx) }()

	add(0, 2*time.Hour, false) // no clock: nothing may be sent
	if got := w.Stats(); got.Sent != 0 || got.Bytes != 0 {
		t.Errorf("%+v: samples without a date were sent", got)
	}
	add(2*time.Hour, 26*time.Hour, true)
	until(t, 20*time.Second, func() bool { return w.Stats().Problem != "" })
	k.up.Store(true)
	until(t, 40*time.Second, func() bool { return w.Stats().Sent >= 26*60*series })
	add(26*time.Hour, 27*time.Hour, true) // and on it goes
	until(t, 20*time.Second, func() bool {
		return ask(t, addr, `count_over_time(ebbwatch_battery_volts{job="ebbwatch",instance="slipway"}[40h])`) == 27*60 && w.Stats().Sent >= 27*60*series
	})
	stop()
	<-ended
	for query, want := range map[string]float64{
		`count_over_time(ebbwatch_peer_up{peer="gate"}[40h])`:           27 * 60,
		`count_over_time(ebbwatch_cutoff_seconds{quantile="0.1"}[40h])`: 27 * 60,
		`max_over_time(ebbwatch_battery_soc_ratio[40h])`:                0.61,
		`min_over_time(ebbwatch_battery_amperes[40h])`:                  1.85,
		`count({__name__=~"ebbwatch_.*"})`:                              0, // five minutes after the last there is none
		`count(last_over_time({__name__=~"ebbwatch_.*"}[40h]))`:         series,
	} {
		if got := ask(t, addr, query); got != want {
			t.Errorf("%s = %v, want %v", query, got, want)
		}
	}
	st := w.Stats()
	if st.Sent != series*27*60 || st.Refused != 0 {
		t.Errorf("%+v, want each sample sent once", st)
	}
	t.Logf("%d samples in %d bytes: %.1f bytes a sample", st.Sent, st.Bytes, float64(st.Bytes)/float64(st.Sent))
}
