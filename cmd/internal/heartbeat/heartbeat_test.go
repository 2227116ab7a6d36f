package heartbeat

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"ebbwatch/alert"
	"ebbwatch/cmd/internal/facts"
	"ebbwatch/collector/reading"
)

// service counts heartbeats in place of a network.
type service struct {
	status int
	times  []time.Duration
	began  time.Time
}

// RoundTrip answers a heartbeat.
func (s *service) RoundTrip(r *http.Request) (*http.Response, error) {
	s.times = append(s.times, time.Since(s.began))
	return &http.Response{StatusCode: s.status, Body: io.NopCloser(strings.NewReader("fine")), Request: r}, nil
}

// node is a daemon whose loop steps as long as it is not stuck.
type node struct {
	began time.Time
	snap  facts.Snapshot
	stuck bool
	mono  time.Duration
}

func (n *node) snapshot() *facts.Snapshot {
	if !n.stuck {
		n.mono = time.Since(n.began)
	}
	s := n.snap
	s.At = reading.Stamp{Mono: n.mono}
	return &s
}

// beats runs a sender for a span and gives the minutes at which it sent.
func beats(t *testing.T, span time.Duration, change func(n *node, minute int)) (minutes []int, log string) {
	t.Helper()
	var out bytes.Buffer
	synctest.Test(t, func(t *testing.T) {
		far := &service{status: 200, began: time.Now()}
		s := New(Config{URL: "http://deadman.example/key", Every: 5 * time.Minute}, slog.New(slog.NewTextHandler(&out, nil)))
		s.client.Transport = far
		n := &node{began: time.Now()}
		n.snap.Sources = []facts.Source{{Name: "charger", Every: 10 * time.Second, Age: 5 * time.Second}}
		ctx, cancel := context.WithTimeout(t.Context(), span)
		defer cancel()
		s.Run(ctx, func() *facts.Snapshot {
			if change != nil {
				change(n, int(time.Since(n.began).Minutes()))
			}
			return n.snapshot()
		})
		for _, at := range far.times {
			minutes = append(minutes, int(at.Minutes()))
		}
	})
	return minutes, out.String()
}

func TestSilenceIsTheSignal(t *testing.T) {
	t.Parallel()
	for name, row := range map[string]struct {
		change func(n *node, minute int)
		want   string
		log    string
	}{
		"all is well": {nil, "0 5 10 15 20 25 30 35 40 45 50 55", ""},
		"the loop hangs, and goes on": {func(n *node, m int) { n.stuck = m >= 12 && m < 40 },
			"0 5 10 40 45 50 55", "heartbeats are sent"},
		"no instrument is heard": {func(n *node, m int) {
			if m >= 20 {
				n.snap.Sources[0].Age = time.Hour
			}
		}, "0 5 10 15", "no instrument is heard"},
		"none was ever heard": {func(n *node, _ int) { n.snap.Sources[0].Age = -1 }, "", "no instrument is heard"},
		"the outbox is stuck": {func(n *node, m int) {
			n.snap.Channels = []facts.Channel{{Name: "owner", Waiting: 2, Err: "cannot send"}}
		}, "0 5 10 15 20 25", "notices wait for owner"},
		"one of two channels works": {func(n *node, m int) {
			n.snap.Channels = []facts.Channel{{Name: "owner", Waiting: 2, Err: "cannot send"}, {Name: "mail"}}
		}, "0 5 10 15 20 25 30 35 40 45 50 55", ""},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			got, log := beats(t, time.Hour-30*time.Second, row.change)
			if text := strings.Trim(fmt.Sprint(got), "[]"); text != row.want {
				t.Errorf("sent at minutes %s, want %s", text, row.want)
			}
			if !strings.Contains(log, row.log) || strings.Contains(log, "deadman") || strings.Count(log, "\n") > 3 {
				t.Errorf("log:\n%s", log)
			}
		})
	}
}

func TestNothingBeforeTheFirstSnapshot(t *testing.T) {
	t.Parallel()
	var h health
	if why := h.look(nil, time.Now()); why == "" {
		t.Error("a daemon that has not begun is taken for well")
	}
}

// TestRealService speaks to HTTP servers that take it, refuse it, send it elsewhere, hang
// up or are not there. The address never shows.
func TestRealService(t *testing.T) {
	t.Parallel()
	const key = "s3cret-key"
	hits := 0
	mux := http.NewServeMux()
	mux.HandleFunc("POST /ok/"+key, func(http.ResponseWriter, *http.Request) { hits++ })
	mux.HandleFunc("/gone/"+key, func(w http.ResponseWriter, _ *http.Request) { http.Error(w, "no such check "+key, 404) })
	mux.HandleFunc("/login/"+key, func(w http.ResponseWriter, r *http.Request) { http.Redirect(w, r, "/ok/"+key, http.StatusFound) })
	mux.HandleFunc("/cut/"+key, func(http.ResponseWriter, *http.Request) { panic(http.ErrAbortHandler) })
	far := httptest.NewServer(mux)
	defer far.Close()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	dead := "http://" + l.Addr().String()
	l.Close()
	for url, want := range map[string]string{
		far.URL + "/ok/" + key:    "",
		far.URL + "/gone/" + key:  "answered 404",
		far.URL + "/login/" + key: "answered 302",
		far.URL + "/cut/" + key:   "cannot be reached",
		dead + "/ok/" + key:       "cannot be reached",
		"http://a b/" + key:       "not one that can be used",
	} {
		s := New(Config{URL: alert.Secret(url), Method: "POST"}, slog.New(slog.DiscardHandler))
		err := s.beat(t.Context())
		text := fmt.Sprint(err)
		if (err == nil) != (want == "") || err != nil && !strings.Contains(text, want) {
			t.Errorf("%v, want %q", err, want)
		}
		for _, shown := range []string{text, fmt.Sprintf("%v %+v %#v %s", s, s, s, s)} {
			if strings.Contains(shown, key) || strings.Contains(shown, "127.0.0.1") {
				t.Errorf("the address shows: %s", shown)
			}
		}
	}
	if hits != 1 {
		t.Errorf("%d heartbeats arrived", hits)
	}
}

func TestAddressFromAFile(t *testing.T) {
	t.Parallel()
	far := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) {}))
	defer far.Close()
	file := filepath.Join(t.TempDir(), "heartbeat.url")
	s := New(Config{URLFile: file}, slog.New(slog.DiscardHandler))
	for text, want := range map[string]string{"": "cannot read a secret", "nonsense-s3cret": "not shown", far.URL + "\n": ""} {
		if text != "" {
			if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
				t.Fatal(err)
			}
		} else {
			_ = os.Remove(file) // it need not be there
		}
		err := s.beat(t.Context())
		if (err == nil) != (want == "") || err != nil && (!strings.Contains(err.Error(), want) || strings.Contains(err.Error(), "s3cret")) {
			t.Errorf("%q: %v, want %q", text, err, want)
		}
	}
}
