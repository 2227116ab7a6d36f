package main

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"ebbwatch/cmd/internal/facts"
	"ebbwatch/cmd/internal/facts/factstest"
	"ebbwatch/cmd/internal/web"
	"ebbwatch/collector/reading"
)

// BenchmarkFleet has one Debian Prometheus watch 500 nodes by the files of deploy/fleet, and
// reports what that costs it. Each node is the daemon's own page with readings that move.
//
//	go test ./cmd/ebbwatch -run '^$' -bench Fleet -benchtime 1x
func BenchmarkFleet(b *testing.B) {
	program, err := exec.LookPath("prometheus")
	if err != nil {
		b.Skip("skipped: needs prometheus")
	}
	const nodes = 500
	for b.Loop() {
		dir := b.TempDir()
		if err := os.CopyFS(dir, os.DirFS(deployed("fleet"))); err != nil {
			b.Fatal(err)
		}
		var targets strings.Builder
		for i := range nodes {
			fmt.Fprintf(&targets, "- {targets: [%q], labels: {site: node%03d, upstream: node%03d}}\n", fleetNode(b, i), i, i/10)
		}
		write(b, filepath.Join(dir, "targets", "relays.yml"), targets.String())
		text, err := os.ReadFile(filepath.Join(dir, "prometheus.yml"))
		if err != nil {
			b.Fatal(err)
		}
		// Four times as often as the file says, so that a short run tells much.
		write(b, filepath.Join(dir, "prometheus.yml"), strings.Replace(string(text), "scrape_interval: 60s\n  scrape_timeout: 20s", "scrape_interval: 15s\n  scrape_timeout: 10s", 1))
		address := freeAddress(b)
		cmd := exec.Command(program, "--config.file="+filepath.Join(dir, "prometheus.yml"), "--storage.tsdb.path="+filepath.Join(dir, "data"),
			"--web.listen-address="+address, "--log.level=error")
		if err := cmd.Start(); err != nil {
			b.Fatal(err)
		}
		b.Cleanup(func() {
			_ = cmd.Process.Kill() // it has no end of its own
			_ = cmd.Wait()
		})
		own := func(metric string) float64 {
			body, _ := get(b, "http://"+address+"/metrics")
			m := regexp.MustCompile(`(?m)^` + metric + ` (\S+)`).FindStringSubmatch(body)
			if m == nil {
				return 0
			}
			x, _ := strconv.ParseFloat(m[1], 64)
			return x
		}
		const appended = `prometheus_tsdb_head_samples_appended_total(?:\{type="float"\})?`
		eventually(b, 3*time.Minute, "every node was scraped", func() bool {
			return own(appended) > nodes*60*2
		})
		u, n := used(b, cmd), own(appended)
		const span = 60 * time.Second
		<-time.After(span)
		u2, n2 := used(b, cmd), own(appended)
		cpu, samples := u2.CPUSeconds-u.CPUSeconds, n2-n
		b.ReportMetric(own("prometheus_tsdb_head_series")/nodes, "series/node")
		b.ReportMetric(samples/span.Seconds(), "samples/s")
		b.ReportMetric(cpu/samples*1e6, "µs-cpu/sample")
		b.ReportMetric(100*cpu/span.Seconds()/4, "%core-at-60s")
		b.ReportMetric(u2.ResidentBytes/1e6, "MB-resident")
	}
}

// fleetNode serves a node's page and gives its address.
func fleetNode(b *testing.B, i int) string {
	began := time.Now()
	server := httptest.NewServer(web.New(web.Options{Snapshot: func() *facts.Snapshot {
		s := factstest.Rich()
		moved := time.Since(began).Seconds()
		s.Site = fmt.Sprintf("node%03d", i)
		s.Reading[reading.BatteryVolts].X += 0.0001 * (moved + float64(i))
		s.Belief.SoC -= 1e-6 * moved
		return s
	}}))
	b.Cleanup(server.Close)
	return strings.TrimPrefix(server.URL, "http://")
}

func freeAddress(b *testing.B) string {
	l := httptest.NewServer(http.NotFoundHandler())
	defer l.Close()
	return strings.TrimPrefix(l.URL, "http://")
}
