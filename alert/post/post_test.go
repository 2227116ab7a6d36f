package post

import (
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ebbwatch/alert"
	"ebbwatch/alert/alerttest"
)

func serve(t *testing.T, h http.HandlerFunc) *httptest.Server {
	s := httptest.NewServer(h)
	t.Cleanup(s.Close)
	return s
}

// waitForLeave waits until the client is gone; a server sees that only after it read all.
func waitForLeave(r *http.Request) {
	io.Copy(io.Discard, r.Body)
	<-r.Context().Done()
}

// TestVerdicts: what a receiver answers decides whether trying again is of use (RFC 9110).
func TestVerdicts(t *testing.T) {
	t.Parallel()
	for _, row := range []struct {
		code      int
		after     string
		fails     bool
		permanent bool
		wait      time.Duration
	}{
		{code: 200}, {code: 202}, {code: 204},
		{code: 400, fails: true, permanent: true}, {code: 401, fails: true, permanent: true}, {code: 404, fails: true, permanent: true},
		{code: 408, fails: true}, {code: 425, fails: true},
		{code: 429, fails: true}, {code: 429, after: "120", fails: true, wait: 2 * time.Minute},
		{code: 429, after: "Sun, 11 Jan 2026 13:10:00 GMT", fails: true, wait: 5 * time.Minute},
		{code: 429, after: "Sun, 11 Jan 2026 13:00:00 GMT", fails: true},
		{code: 429, after: "-5", fails: true}, {code: 429, after: "soon", fails: true},
		{code: 429, after: "999999999999", fails: true, wait: 7 * 24 * time.Hour},
		{code: 500, fails: true}, {code: 503, after: "7", fails: true, wait: 7 * time.Second}, {code: 304, fails: true},
	} {
		t.Run(fmt.Sprint(row.code, row.after), func(t *testing.T) {
			t.Parallel()
			s := serve(t, func(w http.ResponseWriter, r *http.Request) {
				w.Header().Set("Date", "Sun, 11 Jan 2026 13:05:00 GMT")
				if row.after != "" {
					w.Header().Set("Retry-After", row.after)
				}
				w.WriteHeader(row.code)
			})
			err := NewClient(time.Minute).Send(t.Context(), "POST", s.URL, http.Header{}, []byte("x"))
			if (err != nil) != row.fails || alert.IsRefused(err) != row.permanent || alert.RetryWait(err) != row.wait {
				t.Errorf("got %v, permanent %v, wait %v", err, alert.IsRefused(err), alert.RetryWait(err))
			}
			if err != nil && !strings.Contains(err.Error(), fmt.Sprint(row.code)) {
				t.Errorf("the error does not tell the status: %v", err)
			}
		})
	}
}

// TestRedirects: the notice goes on to another path of the same receiver, and nowhere else.
func TestRedirects(t *testing.T) {
	t.Parallel()
	strayed := make(chan string, 10)
	elsewhere := serve(t, func(w http.ResponseWriter, r *http.Request) { strayed <- r.URL.Path })
	arrived := make(chan string, 10)
	s := serve(t, func(w http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		switch r.URL.Path {
		case "/moved":
			http.Redirect(w, r, "/here", http.StatusTemporaryRedirect)
		case "/changed": // a client would follow with GET, without the notice
			http.Redirect(w, r, "/here", http.StatusFound)
		case "/away":
			http.Redirect(w, r, elsewhere.URL, http.StatusTemporaryRedirect)
		case "/round":
			http.Redirect(w, r, "/round", http.StatusTemporaryRedirect)
		case "/here":
			arrived <- r.Method + " " + string(body)
		}
	})
	send := func(path string) error {
		return NewClient(time.Minute).Send(t.Context(), "POST", s.URL+path, http.Header{}, []byte("notice"))
	}
	if err := send("/moved"); err != nil {
		t.Errorf("to another path: %v", err)
	} else if got := <-arrived; got != "POST notice" {
		t.Errorf("after a redirect %q arrived", got)
	}
	for _, path := range []string{"/changed", "/away", "/round"} {
		if err := send(path); err == nil || !strings.Contains(err.Error(), "the answer points") || alert.IsRefused(err) {
			t.Errorf("%s: got %v", path, err)
		}
	}
	if len(strayed) > 0 || len(arrived) > 0 {
		t.Errorf("%d notices went to another host, %d lost their body", len(strayed), len(arrived))
	}
}

// TestNastyReceivers: each ends within the time that it may take.
func TestNastyReceivers(t *testing.T) {
	t.Parallel()
	flood := []byte(strings.Repeat("x", 1<<16))
	for name, h := range map[string]http.HandlerFunc{
		"hangs": func(w http.ResponseWriter, r *http.Request) { waitForLeave(r) },
		"hangs in the body": func(w http.ResponseWriter, r *http.Request) {
			w.WriteHeader(500)
			w.(http.Flusher).Flush()
			waitForLeave(r)
		},
		"header without end": func(w http.ResponseWriter, r *http.Request) {
			conn, _, err := w.(http.Hijacker).Hijack()
			if err != nil {
				return
			}
			defer conn.Close()
			io.WriteString(conn, "HTTP/1.1 200 OK\r\n")
			for err == nil {
				_, err = fmt.Fprintf(conn, "X: %s\r\n", flood)
			}
		},
		"no HTTP": func(w http.ResponseWriter, r *http.Request) {
			conn, _, err := w.(http.Hijacker).Hijack()
			if err != nil {
				return
			}
			io.WriteString(conn, "220 some other service\r\n")
			conn.Close()
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := serve(t, h)
			err := NewClient(100*time.Millisecond).Send(t.Context(), "POST", s.URL, http.Header{}, []byte("x"))
			if err == nil || alert.IsRefused(err) {
				t.Errorf("got %v", err)
			}
		})
	}
}

// TestAGigabyteIsNotRead: a receiver that took the notice and does not stop talking is left.
func TestAGigabyteIsNotRead(t *testing.T) {
	t.Parallel()
	said := make(chan int, 1)
	s := serve(t, func(w http.ResponseWriter, r *http.Request) {
		chunk, n := []byte(strings.Repeat("x", 1<<20)), 0
		for n < 1<<30 {
			k, err := w.Write(chunk)
			if n += k; err != nil {
				break
			}
		}
		said <- n
	})
	if err := NewClient(time.Minute).Send(t.Context(), "POST", s.URL, http.Header{}, []byte("x")); err != nil {
		t.Errorf("got %v", err)
	}
	if n := <-said; n > 64<<20 { // what the sockets hold on the way is theirs
		t.Errorf("%d bytes were taken", n)
	}
}

func TestSecret(t *testing.T) {
	t.Parallel()
	if got, err := Secret(alerttest.SecretFile(t, "  s3cret \n")); err != nil || got != "s3cret" {
		t.Errorf("got %q, %v", got, err)
	}
	dir := t.TempDir()
	for name, content := range map[string]string{"empty": " \n", "long": strings.Repeat("s3cret", 20000)} {
		file := filepath.Join(dir, name)
		if err := os.WriteFile(file, []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := Secret(file); err == nil || !strings.Contains(err.Error(), file) || strings.Contains(err.Error(), "s3cret") {
			t.Errorf("%s: got %v", name, err)
		}
	}
	if _, err := Secret(filepath.Join(dir, "none")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a missing file gave %v", err)
	}
}

func TestCheckAddress(t *testing.T) {
	t.Parallel()
	for address, fine := range map[string]bool{
		"https://a.example/x": true, "http://127.0.0.1:1": true,
		"": false, "a.example": false, "ftp://a.example": false, "http://": false, "http://a b": false, "http://a:s3cret": false,
	} {
		err := CheckAddress(address)
		if (err == nil) != fine || err != nil && address != "" && strings.Contains(err.Error(), "s3cret") {
			t.Errorf("%q: %v", address, err)
		}
	}
}

// TestTargetIsReady: what a delivery would fail at is told beforehand, and names the file.
func TestTargetIsReady(t *testing.T) {
	t.Parallel()
	file := filepath.Join(t.TempDir(), "hook.url")
	c := Target{URLFile: file}
	if err := c.Ready(); err == nil || !strings.Contains(err.Error(), file) {
		t.Errorf("a missing file: %v", err)
	}
	for _, at := range []struct{ content, want string }{ // in this order: what follows needs the good address
		{"not an address", "begins with http"},
		{"http://10.20.0.1/hook\n", ""},
	} {
		if err := os.WriteFile(file, []byte(at.content), 0o600); err != nil {
			t.Fatal(err)
		}
		if err := c.Ready(); (err == nil) != (at.want == "") || err != nil && !strings.Contains(err.Error(), at.want) {
			t.Errorf("%q: %v", at.content, err)
		}
	}
	c.HeaderFiles = map[string]string{"Authorization": "/nowhere/token"}
	if err := c.Ready(); err == nil || !strings.Contains(err.Error(), "/nowhere/token") {
		t.Errorf("a missing header file: %v", err)
	}
}
