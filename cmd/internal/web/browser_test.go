package web_test

import (
	"fmt"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"

	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"

	"ebbwatch/cmd/internal/browsertest"
	"ebbwatch/cmd/internal/facts"
	"ebbwatch/cmd/internal/facts/factstest"
	"ebbwatch/cmd/internal/web"
)

// pastWeek invents a week of charge that swings with the day, with a gap of half a day.
func pastWeek(*facts.Snapshot) []web.Point {
	var ps []web.Point
	for h := -168.0; h <= 0; h += 0.5 {
		if h > -100 && h < -88 {
			continue
		}
		mid := 0.61 - 0.0015*h + 0.06*math.Sin((h+1)/24*2*math.Pi)
		ps = append(ps, web.Point{Hours: h, SoC: mid, Low: mid - 0.04, High: min(mid+0.035, 1)})
	}
	return ps
}

// scene is one look at the page.
type scene struct {
	name  string
	snap  func() *facts.Snapshot
	past  func(*facts.Snapshot) []web.Point
	width int64
	// scheme is what the viewer prefers: light or dark.
	scheme string
}

// scenes are the situations, each on a phone and on a desk; all widths and both schemes where
// pictures are wanted.
func scenes() []scene {
	var all []scene
	shots := os.Getenv("EBBWATCH_SHOTS") != ""
	for name, snap := range factstest.Scenes() {
		s := scene{name: name, snap: snap, past: pastWeek}
		if name == "empty" || name == "unread" {
			s.past = nil
		}
		for _, s.width = range []int64{360, 768, 1440} {
			for _, s.scheme = range []string{"light", "dark"} {
				often := name == "rich" || name == "alarmed" || name == "empty"
				if shots || often || s.width == 360 && s.scheme == "light" {
					all = append(all, s)
				}
			}
		}
	}
	return all
}

// screens is how many screens of a small phone (360 by 640) the page may take at 360 px.
func screens(name string) int {
	switch name {
	case "well", "learning", "doubted", "maintained", "empty", "unread":
		return 3
	}
	return 6
}

// TestThePageInABrowser looks at the page at three widths, light and dark, with much,
// nothing and bad news to show. EBBWATCH_SHOTS names a folder that receives pictures.
func TestThePageInABrowser(t *testing.T) {
	t.Parallel()
	ctx := browsertest.Open(t)
	for _, s := range scenes() {
		name := fmt.Sprintf("%s-%d-%s", s.name, s.width, s.scheme)
		srv := httptest.NewServer(web.New(web.Options{Snapshot: s.snap, Past: s.past}))
		found, err := browsertest.Look(ctx, srv.URL, browsertest.View{Name: name, Width: s.width, Scheme: s.scheme, Script: checks(t)})
		srv.Close()
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if s.width == 360 {
			tall, err := chromedp.Run(ctx, chromedp.Evaluate[int](`document.documentElement.scrollHeight`))
			if most := 640 * screens(s.name); err != nil || tall > most {
				t.Errorf("%s is %d px tall, want at most %d: %v", name, tall, most, err)
			}
		}
		if len(found) > 0 {
			t.Errorf("%s:\n  %s", name, strings.Join(found, "\n  "))
		}
	}
}

func checks(t *testing.T) string {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("testdata", "access.js"))
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// TestThePageRefreshesItself changes the snapshot under an open page. The page waits a
// hundred times less between its questions, so that nobody waits for it.
func TestThePageRefreshesItself(t *testing.T) {
	t.Parallel()
	ctx := browsertest.Open(t)
	var now atomic.Pointer[facts.Snapshot]
	var asked atomic.Int64
	now.Store(factstest.Rich())
	h := web.New(web.Options{Snapshot: now.Load})
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == "/" {
			asked.Add(1)
		}
		h.ServeHTTP(w, r)
	}))
	defer srv.Close()
	if err := chromedp.Do(ctx, chromedp.Navigate("about:blank"), chromedp.EmulateViewport(360, 900)); err != nil {
		t.Fatal(err)
	}
	fast := page.AddScriptToEvaluateOnNewDocumentParams{Source: `{const st = setTimeout; window.setTimeout = (f, ms) => st(f, ms % 10000 || ms === 30000 ? ms : ms / 100);}`}
	if _, err := chromedp.Call(ctx, page.AddScriptToEvaluateOnNewDocument, fast); err != nil {
		t.Fatal(err)
	}
	if err := chromedp.Do(ctx, chromedp.Navigate(srv.URL), chromedp.Click(chromedp.CSS("#d-outlook summary"))); err != nil {
		t.Fatal(err)
	}
	now.Store(factstest.Alarmed())
	said, err := chromedp.Run(ctx, chromedp.Poll[string](`document.getElementById("live").textContent`))
	if err != nil || !strings.HasPrefix(said, "Below the reserve") {
		t.Fatalf("the new headline was not announced: %q, %v", said, err)
	}
	open, err := chromedp.Run(ctx, chromedp.Evaluate[bool](`document.getElementById("d-outlook").open && document.querySelectorAll(".alarm").length === 3`))
	if err != nil || !open {
		t.Errorf("the alarms did not come, or what was open was shut: %v", err)
	}
	srv.CloseClientConnections()
	srv.Close()
	if _, err := chromedp.Run(ctx, chromedp.Poll[bool](`document.getElementById("live").textContent.startsWith("The box does not answer")`)); err != nil {
		t.Errorf("the page does not say that it is old: %v", err)
	}
	if n := asked.Load(); n > 100 {
		t.Errorf("the page asked %d times", n)
	}
}
