package web

import (
	"bytes"
	"embed"
	"fmt"
	"html/template"
	"net/http"
	"strings"

	"ebbwatch/cmd/internal/facts"
)

//go:embed assets
var assets embed.FS

// Point is one moment of the past for the chart.
type Point struct {
	Hours          float64 // before now, so never positive
	SoC, Low, High float64
}

// page holds the parsed template; it never changes.
type page struct{ template *template.Template }

func newPage() *page {
	return &page{template.Must(template.New("page.html").ParseFS(assets, "assets/page.html"))}
}

func (s *server) servePage(w http.ResponseWriter, _ *http.Request) {
	snap := s.Snapshot()
	if snap == nil {
		snap = &facts.Snapshot{}
	}
	var b bytes.Buffer
	if err := s.page.template.Execute(&b, facts.StateOf(snap)); err != nil {
		http.Error(w, fmt.Sprintf("cannot make the page: %v", err), http.StatusInternalServerError)
		return
	}
	send(w, "text/html; charset=utf-8", b.Bytes())
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
