package planning

import (
	"bytes"
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"ebbwatch/cmd/internal/browsertest"
)

// looks at a page that is open: what stands out of the window, what is cut off, what is too
// small to read, which texts lie over each other.
const checks = `(() => {
	const bad = [], w = document.documentElement.clientWidth;
	if (document.documentElement.scrollWidth > w) bad.push("the page is " + document.documentElement.scrollWidth + " wide in a window of " + w);
	for (const svg of document.querySelectorAll("svg.chart")) {
		const b = svg.getBoundingClientRect();
		if (b.width === 0) continue;
		const texts = [...svg.querySelectorAll("text")].map(t => [t, t.getBoundingClientRect()]);
		for (const [t, r] of texts) {
			if (r.left < b.left - 1 || r.right > b.right + 1 || r.top < b.top - 1 || r.bottom > b.bottom + 1) bad.push(svg.getAttribute("aria-label") + ": cut off: " + t.textContent);
			if (r.height < 10) bad.push(svg.getAttribute("aria-label") + ": too small: " + t.textContent + " " + r.height);
		}
		for (let i = 0; i < texts.length; i++) for (let j = i + 1; j < texts.length; j++) {
			const a = texts[i][1], c = texts[j][1];
			if (a.left < c.right - 1 && c.left < a.right - 1 && a.top + 3 < c.bottom - 3 && c.top + 3 < a.bottom - 3) bad.push(svg.getAttribute("aria-label") + ": over each other: " + texts[i][0].textContent + " / " + texts[j][0].textContent);
		}
	}
	return bad;
})()`

// The page is looked at in Debian's Chromium at three widths, light and dark.
// EBBWATCH_SHOTS names a folder that receives pictures.
func TestThePageInABrowser(t *testing.T) {
	t.Parallel()
	ctx := browsertest.Open(t)
	report := made(t, example(t), Options{Winters: 20, Seed: 1})
	var html bytes.Buffer
	if err := report.HTML(&html); err != nil {
		t.Fatal(err)
	}
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		_, _ = w.Write(html.Bytes()) // a browser may hang up on what it did not want
	}))
	t.Cleanup(srv.Close)
	for _, width := range []int64{360, 768, 1440} {
		for _, scheme := range []string{"light", "dark"} {
			name := fmt.Sprintf("plan-%d-%s", width, scheme)
			found, err := browsertest.Look(ctx, srv.URL, browsertest.View{Name: name, Width: width, Scheme: scheme, Script: checks})
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			if len(found) > 0 {
				t.Errorf("%s:\n  %s", name, strings.Join(found, "\n  "))
			}
		}
	}
}
