package web_test

import (
	"bytes"
	"compress/gzip"
	"fmt"
	"io"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"golang.org/x/net/html"

	"ebbwatch/cmd/internal/facts"
	"ebbwatch/cmd/internal/facts/factstest"
	"ebbwatch/cmd/internal/web"
)

func pageOf(t testing.TB, s *facts.Snapshot, past func(*facts.Snapshot) []web.Point) string {
	t.Helper()
	w := httptest.NewRecorder()
	web.New(web.Options{Snapshot: func() *facts.Snapshot { return s }, Past: past}).ServeHTTP(w, httptest.NewRequest("GET", "/", nil))
	if w.Code != http.StatusOK {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	return w.Body.String()
}

// outline is what a reader without styles and scripts gets, one block a line.
func outline(t *testing.T, page string) string {
	t.Helper()
	doc, err := html.Parse(strings.NewReader(page))
	if err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	var walk func(*html.Node)
	block := map[string]string{"h1": "# ", "h2": "\n## ", "h3": "### ", "p": "", "li": "- ", "tr": "| ", "div": "", "summary": "> ", "title": "title: ", "desc": "desc: "}
	walk = func(n *html.Node) {
		if lead, ok := block[n.Data]; ok && n.Type == html.ElementNode && !(n.Data == "div" && attr(n, "class") != "") {
			fmt.Fprintf(&b, "%s%s\n", lead, words(n))
			return
		}
		if n.Type == html.ElementNode && attr(n, "role") == "img" && attr(n, "aria-label") != "" {
			fmt.Fprintf(&b, "picture: %s\n", attr(n, "aria-label"))
			return
		}
		for c := n.FirstChild; c != nil; c = c.NextSibling {
			walk(c)
		}
	}
	walk(doc)
	return b.String()
}

func attr(n *html.Node, name string) string {
	for _, a := range n.Attr {
		if a.Key == name {
			return a.Val
		}
	}
	return ""
}

func words(n *html.Node) string {
	var b strings.Builder
	for d := range n.Descendants() {
		if d.Type == html.TextNode {
			b.WriteString(d.Data + " ")
		}
	}
	return strings.Join(strings.Fields(b.String()), " ")
}

// EBBWATCH_GOLDEN=1 writes the outlines anew; look at what changed.
func TestPageOutline(t *testing.T) {
	t.Parallel()
	for name, s := range map[string]*facts.Snapshot{"rich": factstest.Rich(), "empty": factstest.Empty(), "alarmed": factstest.Alarmed()} {
		past := pastWeek
		if name == "empty" {
			past = nil
		}
		got := outline(t, pageOf(t, s, past))
		file := filepath.Join("testdata", "page-"+name+".txt")
		if os.Getenv("EBBWATCH_GOLDEN") != "" {
			if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if got != string(want) {
			t.Errorf("the outline of the %s page changed; it is now:\n%s", name, got)
		}
	}
}

// The page and all that it needs stay under 150 kB, and nothing comes from elsewhere.
func TestPageWeightAndOrigin(t *testing.T) {
	t.Parallel()
	page := pageOf(t, factstest.Alarmed(), pastWeek)
	total := len(page)
	for _, m := range regexp.MustCompile(`(?:src|href)="([^"]+)"`).FindAllStringSubmatch(page, -1) {
		if strings.HasPrefix(m[1], "#") {
			continue
		}
		if !strings.HasPrefix(m[1], "/") || strings.HasPrefix(m[1], "//") {
			t.Errorf("the page points elsewhere: %s", m[1])
		}
		if strings.HasPrefix(m[1], "/assets/") {
			w := get(t, factstest.Alarmed(), m[1])
			if w.Code != 200 || w.Header().Get("Content-Type") == "" {
				t.Errorf("%s: %d", m[1], w.Code)
			}
			if bytes.Contains(w.Body.Bytes(), []byte("@import")) || bytes.Contains(w.Body.Bytes(), []byte("url(")) {
				t.Errorf("%s fetches more", m[1])
			}
			total += w.Body.Len()
		}
	}
	t.Logf("page and assets: %d bytes uncompressed", total)
	if total > 150_000 {
		t.Errorf("page and assets weigh %d bytes", total)
	}
	if regexp.MustCompile(`(?i)<[^>]* (?:style|on[a-z]+)=`).MatchString(page) {
		t.Error("the page holds inline styles or handlers, which its own policy forbids")
	}
}

func TestPageIsCompressedWhereAsked(t *testing.T) {
	t.Parallel()
	w := get(t, factstest.Rich(), "/", "Accept-Encoding", "gzip, br")
	if w.Header().Get("Content-Encoding") != "gzip" {
		t.Fatalf("Content-Encoding %q", w.Header().Get("Content-Encoding"))
	}
	z, err := gzip.NewReader(w.Body)
	if err != nil {
		t.Fatal(err)
	}
	if b, err := io.ReadAll(z); err != nil || string(b) != get(t, factstest.Rich(), "/").Body.String() {
		t.Errorf("the compressed page is another one: %v", err)
	}
}

// Names and log lines come from outside; none may become markup.
func TestPageEscapes(t *testing.T) {
	t.Parallel()
	const evil = `"><script>alert(1)</script><img src=x onerror=alert(1)>`
	s := factstest.Alarmed()
	s.Site = evil
	s.Log = append(s.Log, facts.LogLine{At: factstest.Noon(), Text: evil})
	s.Alarms[0].Title, s.Alarms[0].Advice = evil, []string{evil}
	s.Peers[0].Name, s.Sources[1].Name, s.Sources[1].Err = evil, evil, evil
	s.Sources[0].Name, s.Reading[0].Source = evil, evil
	page := pageOf(t, s, nil)
	if strings.Contains(page, "<script>") || strings.Contains(page, "<img") {
		t.Error("what came from outside became markup")
	}
	if n := strings.Count(page, "&lt;script&gt;"); n < 7 {
		t.Errorf("the names are shown %d times only", n)
	}
}

// Numbers that no chart expects must not break it.
func TestChartSurvivesOddNumbers(t *testing.T) {
	t.Parallel()
	nan, inf := math.NaN(), math.Inf(1)
	for name, change := range map[string]func(*facts.Snapshot) []web.Point{
		"no past":     func(*facts.Snapshot) []web.Point { return nil },
		"one point":   func(*facts.Snapshot) []web.Point { return []web.Point{{0, 0.5, 0.4, 0.6}} },
		"all unknown": func(*facts.Snapshot) []web.Point { return []web.Point{{-2, nan, nan, nan}, {-1, nan, nan, nan}} },
		"too old":     func(*facts.Snapshot) []web.Point { return []web.Point{{-900, 1, 1, 1}, {-800, 1, 1, 1}} },
		"outside":     func(*facts.Snapshot) []web.Point { return []web.Point{{-3, -4, -5, 7}, {-1, inf, -inf, inf}} },
		"no fan": func(s *facts.Snapshot) []web.Point {
			s.Outlook.Fan = nil
			return []web.Point{{-3, 0.5, 0.4, 0.6}, {-1, 0.5, 0.4, 0.6}}
		},
		"no clock": func(s *facts.Snapshot) []web.Point { s.At.Trusted = false; return nil },
	} {
		s := factstest.Rich()
		past := change(s)
		page := pageOf(t, s, func(*facts.Snapshot) []web.Point { return past })
		for _, m := range regexp.MustCompile(` (?:d|x|y|cx|cy|width|height|viewBox)="([^"]*)"`).FindAllStringSubmatch(page, -1) {
			if strings.Contains(m[1], "NaN") || strings.Contains(m[1], "Inf") {
				t.Errorf("%s: the chart holds %q", name, m[1])
			}
		}
	}
}

func TestPastKeepsAWeekOfHalfHours(t *testing.T) {
	t.Parallel()
	var p web.Past
	s := factstest.Rich()
	for range 20 * 24 * 6 { // twenty days of ten minutes
		next := *s
		next.At.Mono += 10 * time.Minute
		s = &next
		p.Add(s)
	}
	points := p.Points(s)
	if n := len(points); n < 336 || n > 339 {
		t.Errorf("%d points, want a week of half hours", n)
	}
	if first := points[0].Hours; first < -168.5 || first > -167 {
		t.Errorf("the first point is %v h old, want a week", first)
	}
	for i := 1; i < len(points); i++ {
		if points[i].Hours <= points[i-1].Hours {
			t.Fatalf("points %d and %d are out of order", i-1, i)
		}
	}
}

func TestPastIsSeeded(t *testing.T) {
	t.Parallel()
	var p web.Past
	s := factstest.Rich()
	p.Seed(s, []web.Point{{-200, 0.9, 0.8, 1}, {-100, 0.8, 0.7, 0.9}, {-1, math.NaN(), 0, 0}})
	got := p.Points(s)
	if len(got) != 2 || got[0].Hours != -100 || got[1].SoC != 0.61 {
		t.Errorf("points %v, want the one of 100 h ago and now", got)
	}
	if empty := (&web.Past{}).Points(factstest.Empty()); len(empty) != 0 {
		t.Errorf("points %v before anything is known", empty)
	}
}

func BenchmarkPage(b *testing.B) {
	s := factstest.Alarmed()
	h := web.New(web.Options{Snapshot: func() *facts.Snapshot { return s }, Past: pastWeek})
	for _, path := range []string{"/", "/metrics", "/api/v1/state"} {
		b.Run(strings.ReplaceAll(path[1:], "/", "_")+"_", func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				next := *s // a page is made once for each snapshot
				s = &next
				w := httptest.NewRecorder()
				r := httptest.NewRequest("GET", path, nil)
				r.Header.Set("Accept-Encoding", "gzip")
				h.ServeHTTP(w, r)
			}
		})
	}
}
