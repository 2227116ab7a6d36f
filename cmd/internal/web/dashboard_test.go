package web_test

import (
	"context"
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ebbwatch/cmd/internal/facts"
	"ebbwatch/cmd/internal/facts/factstest"
	"ebbwatch/cmd/internal/web"
	"ebbwatch/collector/needtest"
)

func deploy(parts ...string) string {
	return filepath.Join(append([]string{"..", "..", "..", "deploy"}, parts...)...)
}

// The rules do what they say, by Prometheus' own test runner.
func TestRules(t *testing.T) {
	t.Parallel()
	promtool := needtest.Program(t, "promtool")
	for _, args := range [][]string{
		{"check", "rules", "ebbwatch.rules.yml"},
		{"check", "config", "--syntax-only", "scrape.yml"},
		{"test", "rules", "ebbwatch.rules.test.yml"},
	} {
		cmd := exec.CommandContext(t.Context(), promtool, args...)
		cmd.Dir = deploy("prometheus")
		if out, err := cmd.CombinedOutput(); err != nil {
			t.Errorf("promtool %s: %v\n%s", strings.Join(args, " "), err, out)
		}
	}
}

// scraped starts Debian's Prometheus and lets it scrape the exporter once a second.
func scraped(t *testing.T, target string) string {
	t.Helper()
	path := needtest.Program(t, "prometheus")
	dir := t.TempDir()
	file := filepath.Join(dir, "prometheus.yml")
	text := fmt.Sprintf("scrape_configs:\n  - job_name: ebbwatch\n    scrape_interval: 1s\n    scrape_timeout: 1s\n    static_configs:\n      - targets: [%q]\n        labels: {instance: slipway}\n", target)
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	free, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	addr := free.Addr().String()
	free.Close()
	ctx, cancel := context.WithCancel(context.Background())
	cmd := exec.CommandContext(ctx, path, "--config.file="+file, "--storage.tsdb.path="+filepath.Join(dir, "data"), "--web.listen-address="+addr, "--log.level=error")
	cmd.Stderr = os.Stderr
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { cancel(); _ = cmd.Wait() }) // it was told to end
	return addr
}

// results is how many series a query answers with; negative while there is no answer.
func results(addr, expr string) (int, error) {
	resp, err := http.Get("http://" + addr + "/api/v1/query?query=" + url.QueryEscape(expr))
	if err != nil {
		return -1, nil // not up yet
	}
	defer resp.Body.Close()
	var a struct {
		Status, Error string
		Data          struct{ Result []json.RawMessage }
	}
	if err := json.NewDecoder(resp.Body).Decode(&a); err != nil {
		return -1, nil
	}
	if a.Status != "success" {
		return -1, fmt.Errorf("%s", a.Error)
	}
	return len(a.Data.Result), nil
}

// found is how many series a query finds. A rate wants several scrapes within its window, and a
// busy machine misses some: so a query that finds nothing is asked again, 1 200 times.
func found(addr, expr string) (n int, err error) {
	tick := time.NewTicker(50 * time.Millisecond)
	defer tick.Stop()
	for range 1200 {
		if n, err = results(addr, expr); n > 0 || err != nil {
			return n, err
		}
		<-tick.C
	}
	return n, nil
}

// Every query of the dashboard finds something in what a real Prometheus has scraped.
func TestDashboardFindsItsNumbers(t *testing.T) {
	t.Parallel()
	var dash struct {
		Annotations struct{ List []struct{ Expr string } }
		Panels      []struct {
			Title   string
			GridPos struct{ X, Y, W, H int }
			Targets []struct{ Expr string }
		}
	}
	b, err := os.ReadFile(deploy("dashboard", "ebbwatch.json"))
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(b, &dash); err != nil {
		t.Fatal(err)
	}
	srv := httptest.NewServer(web.New(web.Options{Snapshot: func() *facts.Snapshot { return factstest.Alarmed() }}))
	defer srv.Close()
	addr := scraped(t, strings.TrimPrefix(srv.URL, "http://"))
	exprs := map[string]string{}
	for _, p := range dash.Panels {
		if p.GridPos.X+p.GridPos.W > 24 || p.GridPos.W < 4 || len(p.Targets) == 0 {
			t.Errorf("%s lies at %+v with %d queries", p.Title, p.GridPos, len(p.Targets))
		}
		for _, q := range p.Targets {
			exprs[q.Expr] = p.Title
		}
	}
	for _, a := range dash.Annotations.List {
		exprs[a.Expr] = "annotation"
	}
	if len(exprs) < 15 {
		t.Fatalf("only %d queries were found", len(exprs))
	}
	for expr, title := range exprs {
		if n, err := found(addr, strings.ReplaceAll(expr, "$instance", "slipway")); err != nil || n < 1 {
			t.Errorf("%s: %s finds %d series, %v", title, expr, n, err)
		}
	}
}
