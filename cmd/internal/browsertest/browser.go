package browsertest

import (
	"context"
	"os"
	"path/filepath"
	"testing"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"

	"ebbwatch/collector/needtest"
)

// Open starts a browser without a network of its own. Without Chromium the test is skipped;
// in the continuous integration it fails.
func Open(t *testing.T) context.Context {
	t.Helper()
	path := needtest.Program(t, "chromium")
	opts := append(chromedp.DefaultExecAllocatorOptions[:],
		chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.DisableGPU, chromedp.Flag("disable-quic", true),
		chromedp.Flag("disable-component-update", true), chromedp.UserDataDir(t.TempDir()), chromedp.Flag("hide-scrollbars", true))
	ctx, cancel := chromedp.NewExecAllocator(context.Background(), opts...)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewContext(ctx)
	t.Cleanup(cancel)
	return ctx
}

// View is how a page is looked at.
type View struct {
	Name   string // of the picture
	Width  int64  // of the window, CSS pixels
	Scheme string // what the viewer prefers: light or dark
	Script string // gives a list of what is wrong with the page
}

// Look opens a page and gives what the script found. EBBWATCH_SHOTS names a folder that
// receives a picture.
func Look(ctx context.Context, url string, v View) ([]string, error) {
	media := emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: v.Scheme}}}
	if err := chromedp.Do(ctx, chromedp.EmulateViewport(v.Width, 900)); err != nil {
		return nil, err
	}
	if _, err := chromedp.Call(ctx, emulation.SetEmulatedMedia, media); err != nil {
		return nil, err
	}
	if err := chromedp.Do(ctx, chromedp.Navigate(url)); err != nil {
		return nil, err
	}
	found, err := chromedp.Run(ctx, chromedp.Evaluate[[]string](v.Script))
	if err != nil {
		return nil, err
	}
	return found, shoot(ctx, v.Name)
}

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
