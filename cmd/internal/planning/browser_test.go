package planning

import (
	"bytes"
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
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
	path, err := exec.LookPath("chromium")
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal("cannot look at the page: chromium is missing (Debian package chromium)")
		}
		t.Skip("skipped: needs chromium (Debian package chromium)")
	}
	report := made(t, example(t), Options{Winters: 20, Seed: 1})
	var html bytes.Buffer
	if err := report.HTML(&html); err != nil {
		t.Fatal(err)
	}
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		_, _ = w.Write(html.Bytes()) // a browser may hang up on what it did not want
	}))
	t.Cleanup(srv.Close)
	opts := append(chromedp.DefaultExecAllocatorOptions[:],
		chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.DisableGPU, chromedp.Flag("disable-quic", true),
		chromedp.Flag("disable-component-update", true), chromedp.UserDataDir(t.TempDir()), chromedp.Flag("hide-scrollbars", true))
	ctx, cancel := chromedp.NewExecAllocator(context.Background(), opts...)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewContext(ctx)
	t.Cleanup(cancel)
	for _, width := range []int64{360, 768, 1440} {
		for _, scheme := range []string{"light", "dark"} {
			name := fmt.Sprintf("plan-%d-%s", width, scheme)
			found, err := look(ctx, srv.URL, name, width, scheme)
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			if len(found) > 0 {
				t.Errorf("%s:\n  %s", name, strings.Join(found, "\n  "))
			}
		}
	}
}

func look(ctx context.Context, url, name string, width int64, scheme string) ([]string, error) {
	media := emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}}
	if err := chromedp.Do(ctx, chromedp.EmulateViewport(width, 900)); err != nil {
		return nil, err
	}
	if _, err := chromedp.Call(ctx, emulation.SetEmulatedMedia, media); err != nil {
		return nil, err
	}
	if err := chromedp.Do(ctx, chromedp.Navigate(url)); err != nil {
		return nil, err
	}
	found, err := chromedp.Run(ctx, chromedp.Evaluate[[]string](checks))
	if err == nil {
		err = shoot(ctx, name)
	}
	return found, err
}

// shoot keeps a picture of the page where somebody asked for it.
func shoot(ctx context.Context, name string) error {
	dir := os.Getenv("EBBWATCH_SHOTS")
	if dir == "" {
		return nil
	}
	png, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
	if err != nil {
		return err
	}
	return os.WriteFile(filepath.Join(dir, name+".png"), png, 0o644)
}
