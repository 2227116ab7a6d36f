package web

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/http"
	"strings"

	"ebbwatch/cmd/internal/facts"
)

// Options says what to show.
type Options struct {
	// Snapshot gives the newest snapshot; nil before there is one. It must not block.
	Snapshot func() *facts.Snapshot
	// Past gives the charge of the days before a snapshot for the chart, oldest first; nil:
	// no past. It must answer from memory.
	Past func(now *facts.Snapshot) []Point
	// History answers /api/v1/history; nil: there is none, the path answers 404.
	History http.Handler
}

type server struct {
	Options
	page *page
}

// New makes the handler of everything that is served.
func New(o Options) http.Handler {
	s := &server{Options: o, page: newPage()}
	mux := http.NewServeMux()
	mux.Handle("GET /{$}", http.HandlerFunc(s.servePage))
	mux.Handle("GET /metrics", metricsHandler(o.Snapshot))
	mux.HandleFunc("GET /api/v1/state", s.serveState)
	if o.History != nil {
		mux.Handle("GET /api/v1/history", o.History)
	}
	mux.HandleFunc("GET /-/healthy", s.serveHealthy)
	mux.HandleFunc("GET /-/ready", s.serveReady)
	mux.HandleFunc("GET /assets/{name}", s.page.serveAsset)
	return Guard(mux)
}

// Guard refuses what only reading never needs and sets the headers that keep a browser
// from doing more than showing the page.
func Guard(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; connect-src 'self'; "+
			"base-uri 'none'; form-action 'none'; frame-ancestors 'none'")
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("X-Frame-Options", "DENY")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Permissions-Policy", "camera=(), geolocation=(), microphone=()")
		h.Set("Cache-Control", "no-store")
		if r.Method != http.MethodGet && r.Method != http.MethodHead {
			h.Set("Allow", "GET, HEAD")
			http.Error(w, "cannot "+clip(r.Method, 20)+": this server only shows, it changes nothing", http.StatusMethodNotAllowed)
			return
		}
		if r.ContentLength != 0 { // who hides a second request in a body gets no answer to it
			h.Set("Connection", "close")
			http.Error(w, "cannot take a body: this server only shows", http.StatusBadRequest)
			return
		}
		next.ServeHTTP(w, r)
	})
}

// clip keeps what a client sent from filling an answer.
func clip(s string, n int) string { return s[:min(len(s), n)] }

func (s *server) serveState(w http.ResponseWriter, _ *http.Request) {
	snap := s.Snapshot()
	if snap == nil {
		http.Error(w, "cannot show the state: nothing has been read yet", http.StatusServiceUnavailable)
		return
	}
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetIndent("", "  ")
	if err := enc.Encode(facts.StateOf(snap)); err != nil {
		http.Error(w, fmt.Sprintf("cannot show the state: %v", err), http.StatusInternalServerError)
		return
	}
	send(w, "application/json", b.Bytes())
}

// serveHealthy answers as long as the process can answer at all.
func (s *server) serveHealthy(w http.ResponseWriter, _ *http.Request) {
	send(w, "text/plain; charset=utf-8", []byte("healthy\n"))
}

// serveReady tells whether every part has said that it is ready, and which has not.
func (s *server) serveReady(w http.ResponseWriter, _ *http.Request) {
	snap := s.Snapshot()
	switch {
	case snap == nil:
		http.Error(w, "not ready: nothing has been read yet", http.StatusServiceUnavailable)
	case !snap.Ready:
		why := strings.Join(snap.Unready, "\n")
		http.Error(w, strings.TrimRight("not ready\n"+why, "\n"), http.StatusServiceUnavailable)
	default:
		send(w, "text/plain; charset=utf-8", []byte("ready\n"))
	}
}

// send writes a whole answer at once: a slow client costs its own connection only.
func send(w http.ResponseWriter, kind string, body []byte) {
	w.Header().Set("Content-Type", kind)
	w.Header().Set("Content-Length", fmt.Sprint(len(body)))
	_, _ = w.Write(body) // the client may be gone; nothing depends on it
}
