package web_test

import (
	"context"
	"fmt"
	"net"
	"net/http"
	"net/url"
	"testing"
	"time"

	"ebbwatch/cmd/internal/facts/factstest"
	"ebbwatch/cmd/internal/web"
)

// Slow clients, more than there are slots, shut out neither one of another machine nor one of
// their own, be it behind TLS or not.
func TestSlowClientsShutNobodyOut(t *testing.T) {
	t.Parallel()
	addr, stop := start(t, "")
	var slow []net.Conn
	for _, from := range []string{"127.0.0.1", "127.0.0.2", "127.0.0.3"} {
		d := net.Dialer{LocalAddr: &net.TCPAddr{IP: net.ParseIP(from)}}
		for i := range 100 {
			c, err := d.Dial("tcp", addr)
			if err != nil {
				t.Fatal(err)
			}
			slow = append(slow, c)
			if i%2 == 0 {
				fmt.Fprint(c, "GET / HTTP/1.1\r\nHost: x\r\n") // and no more
			}
		}
	}
	for _, from := range []string{"127.0.0.1", "127.0.0.3", "127.0.0.9"} {
		d := net.Dialer{LocalAddr: &net.TCPAddr{IP: net.ParseIP(from)}}
		good := &http.Client{Timeout: 10 * time.Second, Transport: &http.Transport{DialContext: d.DialContext, DisableKeepAlives: true}}
		for range 3 {
			if code, _, err := fetch(t, good, "http://"+addr+"/-/healthy", nil); err != nil || code != 200 {
				t.Errorf("a good client at %s gets %d, %v", from, code, err)
			}
		}
	}
	for _, c := range slow {
		c.Close()
	}
	if err := stop(); err != nil {
		t.Error(err)
	}
}

// A page that pretends to be this one, as in DNS rebinding, is asked for by its own name.
func TestOnlyKnownNames(t *testing.T) {
	t.Parallel()
	l, err := web.Listen(t.Context(), "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() {
		s := web.Server{Handler: web.New(web.Options{Snapshot: factstest.Rich}), Hosts: web.Hosts([]string{"Slipway.example"})}
		done <- s.Serve(ctx, l)
	}()
	for host, want := range map[string]int{
		"evil.example": 421, "evil.example:9777": 421, "localhost.evil.example": 421, "slipway.example.evil": 421,
		"localhost": 200, "LOCALHOST:9777": 200, "127.0.0.1:9777": 200, "10.20.0.1": 200, "[fe80::1]:9777": 200, "[::1]": 200,
		"slipway.example": 200, "slipway.example.:9777": 200,
	} {
		u := url.URL{Scheme: "http", Host: l.Addr().String(), Path: "/metrics"}
		r := &http.Request{Method: http.MethodGet, URL: &u, Host: host, Header: http.Header{}}
		res, err := http.DefaultClient.Do(r.WithContext(t.Context()))
		if err != nil {
			t.Fatal(err)
		}
		res.Body.Close()
		if res.StatusCode != want {
			t.Errorf("as %s it answers %d, want %d", host, res.StatusCode, want)
		}
	}
	cancel()
	if err := <-done; err != nil {
		t.Error(err)
	}
}
