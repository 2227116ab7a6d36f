package webclient_test

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"ebbwatch/collector/webclient"
)

// get asks an address and gives the body's first line, or the error.
func get(c *webclient.Client, url string) (string, error) {
	r, err := c.Get(url)
	if err != nil {
		return "", err
	}
	defer r.Body.Close()
	var line string
	_, err = fmt.Fscanln(r.Body, &line)
	return fmt.Sprint(r.StatusCode, " ", line), err
}

func TestRedirects(t *testing.T) {
	t.Parallel()
	far := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { fmt.Fprintln(w, "far") }))
	defer far.Close()
	near := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		switch r.URL.Path {
		case "/here":
			http.Redirect(w, r, "/end", http.StatusFound)
		case "/there":
			http.Redirect(w, r, far.URL, http.StatusFound)
		case "/round":
			http.Redirect(w, r, "/round", http.StatusFound)
		default:
			fmt.Fprintln(w, r.Header.Get("User-Agent"))
		}
	}))
	defer near.Close()
	for _, c := range []struct {
		how        webclient.Redirects
		path, want string
		err        string
	}{
		{webclient.SameHost, "/", "200 ebbwatch", ""},
		{webclient.SameHost, "/here", "200 ebbwatch", ""},
		{webclient.SameHost, "/there", "", webclient.ErrElsewhere.Error()},
		{webclient.SameHost, "/round", "", "round in circles"},
		{webclient.Followed, "/there", "200 far", ""},
		{webclient.Followed, "/round", "", "round in circles"},
		{webclient.NotAtAll, "/there", "302 <a", ""},
	} {
		got, err := get(webclient.New(webclient.Options{Redirects: c.how}), near.URL+c.path)
		if c.err == "" && got != c.want || c.err != "" && (err == nil || !strings.Contains(err.Error(), c.err)) {
			t.Errorf("%d %s: %q, %v", c.how, c.path, got, err)
		}
	}
}

// TestBounds: a server that never answers, and one that sends headers without end.
func TestBounds(t *testing.T) {
	t.Parallel()
	stop := make(chan struct{})
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == "/headers" {
			w.Header().Set("X", strings.Repeat("x", 2*webclient.MaxHeaders))
			return
		}
		<-stop
	}))
	defer s.Close()
	defer close(stop)
	if _, err := get(webclient.New(webclient.Options{Timeout: 50 * time.Millisecond}), s.URL); err == nil {
		t.Error("it waited for ever")
	}
	if _, err := get(webclient.New(webclient.Options{Timeout: -1, Header: 50 * time.Millisecond}), s.URL); err == nil {
		t.Error("it waited for the header for ever")
	}
	if _, err := get(webclient.New(webclient.Options{}), s.URL+"/headers"); err == nil {
		t.Error("it took a header without end")
	}
}

func TestDialWith(t *testing.T) {
	t.Parallel()
	var dialled atomic.Int32
	c := webclient.New(webclient.Options{Direct: true})
	c.DialWith(func(context.Context, string, string) (net.Conn, error) {
		dialled.Add(1)
		return nil, errors.New("no line")
	})
	if _, err := get(c, "http://127.0.0.1:1"); err == nil || dialled.Load() != 1 {
		t.Errorf("dialled %d times, %v", dialled.Load(), err)
	}
}
