package sender_test

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"ebbwatch/alert"
	"ebbwatch/alert/outbox"
	"ebbwatch/alert/post"
	"ebbwatch/alert/sender"
	"ebbwatch/alert/webhook"
)

// receiver is a real server that is in trouble until it is well again.
type receiver struct {
	well    atomic.Bool
	trouble http.HandlerFunc
	mu      sync.Mutex
	got     []alert.Notice
	keys    map[string]int // by Idempotency-Key
}

func (r *receiver) ServeHTTP(w http.ResponseWriter, req *http.Request) {
	if !r.well.Load() {
		r.trouble(w, req)
		return
	}
	var n alert.Notice
	body, err := io.ReadAll(req.Body)
	if err == nil {
		err = json.Unmarshal(body, &n)
	}
	if err != nil {
		http.Error(w, err.Error(), http.StatusBadRequest)
		return
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.got = append(r.got, n)
	r.keys[req.Header.Get("Idempotency-Key")]++
}

// livesThrough sends eight notices while a receiver is in trouble for two hours, by the clock
// that the outbox is told, and then a day in which it is well. It gives what became of them.
func livesThrough(t *testing.T, r *receiver, c alert.Channel) (during, after sender.Status) {
	t.Helper()
	out := sender.New([]sender.Channel{{Channel: outbox.Channel{Name: "owner"}, Sender: c}}, outbox.State{}, 1)
	var workers sync.WaitGroup
	ctx := t.Context()
	t.Cleanup(workers.Wait)
	out.Start(ctx, &workers)
	now := time.Date(2026, 1, 10, 11, 0, 0, 0, time.UTC)
	for i := range 26 * 360 {
		if i%80 == 0 && i < 8*80 { // over the two hours
			at := now
			out.Put(alert.Notice{ID: fmt.Sprintf("slipway.cold.20260110T110000Z.%d", i), Phase: alert.Raised, Rule: "cold", At: at, Title: fmt.Sprint(i)}, now)
		}
		if i == 2*360 {
			during = out.Status()[0]
			r.well.Store(true)
		}
		due := out.Due(now)
		out.HandOut(due)
		for range due {
			out.Done(<-out.Results(), now)
		}
		now = now.Add(10 * time.Second)
	}
	return during, out.Status()[0]
}

// TestNothingIsLostToTrouble: whatever a receiver answers for two hours, each notice arrives
// afterwards, once, and in order.
func TestNothingIsLostToTrouble(t *testing.T) {
	t.Parallel()
	troubles := map[string]http.HandlerFunc{
		"a page":  func(w http.ResponseWriter, _ *http.Request) { fmt.Fprint(w, "<!DOCTYPE html><title>Log in</title>") },
		"hang-up": func(http.ResponseWriter, *http.Request) { panic(http.ErrAbortHandler) },
		"away": func(w http.ResponseWriter, r *http.Request) {
			http.Redirect(w, r, "http://127.0.0.1:1/", http.StatusFound)
		},
	}
	for _, span := range [][2]int{{400, 451}, {500, 599}} {
		for code := span[0]; code <= span[1]; code++ {
			troubles[fmt.Sprint(code)] = func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(code) }
		}
	}
	for name, trouble := range troubles {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			r := &receiver{trouble: trouble, keys: map[string]int{}}
			s := httptest.NewUnstartedServer(r)
			s.Config.ErrorLog = nil
			s.Start()
			defer s.Close()
			hook := webhook.New(webhook.Config{Target: post.Target{URL: alert.Secret(s.URL)}})
			r.judge(t, hook)
		})
	}
}

// TestNothingIsLostToALine: a name that is not found, and a certificate that is not trusted.
func TestNothingIsLostToALine(t *testing.T) {
	t.Parallel()
	for name, scheme := range map[string]string{"no name": "http", "no trust": "https"} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			r := &receiver{keys: map[string]int{}}
			s := httptest.NewServer(r)
			defer s.Close()
			tls := httptest.NewTLSServer(r)
			defer tls.Close()
			var dialer net.Dialer
			hook := webhook.New(webhook.Config{Target: post.Target{URL: alert.Secret("http://receiver.example/")}})
			bad := webhook.New(webhook.Config{Target: post.Target{URL: alert.Secret(map[string]string{"http": "http://nowhere.invalid/", "https": tls.URL}[scheme])}})
			hook.DialWith(func(ctx context.Context, _, _ string) (net.Conn, error) {
				return dialer.DialContext(ctx, "tcp", s.Listener.Addr().String())
			})
			r.judge(t, either{r, bad, hook})
		})
	}
}

func (r *receiver) judge(t *testing.T, c alert.Channel) {
	t.Helper()
	during, after := livesThrough(t, r, c)
	if during.Waiting != 8 || during.Err == "" || during.Outcomes["sent"] != 0 {
		t.Errorf("in trouble: %+v", during)
	}
	if after.Waiting != 0 || after.Refusing != 0 || after.Err != "" || after.Outcomes["sent"] != 8 || after.Outcomes["dropped"] != 0 {
		t.Errorf("when it was well again: %+v", after)
	}
	if len(r.got) != 8 || len(r.keys) != 8 {
		t.Fatalf("%d notices arrived under %d keys", len(r.got), len(r.keys))
	}
	for i := range 8 {
		if r.got[i].Title != fmt.Sprint(i*80) {
			t.Errorf("as number %d came %s", i, r.got[i].Title)
		}
	}
}

// either is a way that is bad until the receiver is well.
type either struct {
	r         *receiver
	bad, good alert.Channel
}

// Send implements [alert.Channel].
func (e either) Send(ctx context.Context, n alert.Notice) error {
	if e.r.well.Load() {
		return e.good.Send(ctx, n)
	}
	return e.bad.Send(ctx, n)
}
