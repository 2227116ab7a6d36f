package cost_test

import (
	"fmt"
	"io"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"

	"ebbwatch/cmd/internal/cost"
)

// What is written to a connection is counted on the side that writes, whoever opened it.
func TestSent(t *testing.T) {
	t.Parallel()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	var near, far cost.Sent
	answered := make(chan error, 1)
	go func() {
		c, err := far.Listener(l).Accept()
		if err == nil {
			defer c.Close()
			if _, err = io.ReadFull(c, make([]byte, 1000)); err == nil {
				_, err = c.Write(make([]byte, 70))
			}
		}
		answered <- err
	}()
	c, err := near.DialContext(t.Context(), "tcp", l.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	for range 10 {
		if _, err := c.Write(make([]byte, 100)); err != nil {
			t.Fatal(err)
		}
	}
	if n, err := io.Copy(io.Discard, c); n != 70 || err != nil {
		t.Errorf("%d bytes came back, %v", n, err)
	}
	if err := <-answered; err != nil || near.Bytes() != 1000 || far.Bytes() != 70 {
		t.Errorf("%v; counted %d and %d, want 1000 and 70", err, near.Bytes(), far.Bytes())
	}
}

// What was not taken by the network is not counted.
func TestSentCountsWhatWasTaken(t *testing.T) {
	t.Parallel()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	var sent cost.Sent
	c, err := sent.DialContext(t.Context(), "tcp", l.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	c.Close()
	l.Close()
	if _, err := c.Write([]byte("too late")); err == nil || sent.Bytes() != 0 {
		t.Errorf("%v, %d bytes", err, sent.Bytes())
	}
	if c, err := sent.DialContext(t.Context(), "tcp", l.Addr().String()); err == nil || c != nil {
		t.Errorf("nobody listens, but %v, %v", c, err)
	}
	if _, err := sent.Listener(l).Accept(); err == nil {
		t.Error("a closed listener accepts")
	}
}

// An HTTP client and server count each other's bytes as they are on the wire.
func TestSentOverHTTP(t *testing.T) {
	t.Parallel()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	var near, far cost.Sent
	server := http.Server{Handler: http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		fmt.Fprint(w, strings.Repeat("x", 5000))
	})}
	defer server.Close()
	go func() { _ = server.Serve(far.Listener(l)) }() // it says that it was closed
	client := http.Client{Transport: &http.Transport{DialContext: near.DialContext, DisableKeepAlives: true}}
	resp, err := client.Post("http://"+l.Addr().String(), "text/plain", strings.NewReader(strings.Repeat("y", 300)))
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	if n, err := io.Copy(io.Discard, resp.Body); n != 5000 || err != nil {
		t.Fatalf("%d bytes, %v", n, err)
	}
	for end := time.Now().Add(time.Minute); (near.Bytes() < 350 || far.Bytes() < 5050) && time.Now().Before(end); {
		<-time.After(time.Millisecond) // what was read at the far end may not be counted yet at the near one
	}
	if n := near.Bytes(); n < 300+50 || n > 300+400 {
		t.Errorf("the request is counted as %d bytes, want 300 and a header", n)
	}
	if n := far.Bytes(); n < 5000+50 || n > 5000+400 {
		t.Errorf("the answer is counted as %d bytes, want 5000 and a header", n)
	}
}
