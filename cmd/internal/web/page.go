package web

import (
	"bytes"
	"compress/gzip"
	"embed"
	"fmt"
	"html/template"
	"net/http"
	"strings"
	"sync"

	"ebbwatch/cmd/internal/facts"
)

//go:embed assets
var assets embed.FS

// page makes the page, once for each snapshot however many ask for it: a crowd costs the
// board no more than one viewer. Its lock is its own; the node never waits for it.
type page struct {
	template *template.Template
	mu       sync.Mutex
	of       *facts.Snapshot
	plain    []byte
	gz       *gzip.Writer
	zipped   []byte
}

func newPage() *page {
	funcs := template.FuncMap{"span": facts.Span, "tie": tie}
	return &page{template: template.Must(template.New("page.html").Funcs(funcs).ParseFS(assets, "assets/page.html"))}
}

func (s *server) servePage(w http.ResponseWriter, r *http.Request) {
	snap := s.Snapshot()
	if snap == nil {
		http.Error(w, "cannot show the page: nothing has been read yet", http.StatusServiceUnavailable)
		return
	}
	plain, zipped, err := s.page.render(snap, s.Past)
	if err != nil {
		http.Error(w, fmt.Sprintf("cannot make the page: %v", err), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Vary", "Accept-Encoding")
	if !strings.Contains(r.Header.Get("Accept-Encoding"), "gzip") {
		send(w, "text/html; charset=utf-8", plain)
		return
	}
	w.Header().Set("Content-Encoding", "gzip")
	send(w, "text/html; charset=utf-8", zipped)
}

// render gives the page of a snapshot, plain and compressed; a thin link is spared three
// quarters of it. What it gives is never changed afterwards.
func (p *page) render(snap *facts.Snapshot, past func(*facts.Snapshot) []Point) (plain, zipped []byte, err error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.of == snap {
		return p.plain, p.zipped, nil
	}
	var points []Point
	if past != nil {
		points = past(snap)
	}
	var b, z bytes.Buffer
	if err := p.template.Execute(&b, newView(snap, points)); err != nil {
		return nil, nil, err
	}
	if p.gz == nil {
		p.gz, _ = gzip.NewWriterLevel(&z, gzip.BestSpeed) // errs for a wrong level only
	} else {
		p.gz.Reset(&z)
	}
	if _, err := p.gz.Write(b.Bytes()); err != nil {
		return nil, nil, err
	}
	if err := p.gz.Close(); err != nil {
		return nil, nil, err
	}
	p.of, p.plain, p.zipped = snap, b.Bytes(), z.Bytes()
	return p.plain, p.zipped, nil
}

// serveAsset serves the files that the page needs, by their plain name only.
func (p *page) serveAsset(w http.ResponseWriter, r *http.Request) {
	kinds := map[string]string{"css": "text/css; charset=utf-8", "js": "text/javascript; charset=utf-8", "svg": "image/svg+xml"}
	name := r.PathValue("name")
	_, ext, _ := strings.Cut(name, ".")
	body, err := assets.ReadFile("assets/" + name)
	if err != nil || kinds[ext] == "" {
		http.NotFound(w, r)
		return
	}
	w.Header().Set("Cache-Control", "max-age=3600")
	send(w, kinds[ext], body)
}
