package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"ebbwatch/cmd/internal/cost"
)

// BenchmarkIdle lets the daemon poll every 10 s beside a bare client_golang exporter, both
// scraped every 15 s, four times as often as the files of deploy do. It reports what each takes:
// share of a core, wake-ups a second, and what the daemon writes and sends; beside it one whose
// battery is nearly empty. EBBWATCH_STUDY=1
// looks for twenty minutes, so that the history is written too, EBBWATCH_IDLE=12m for as long as
// it says; by default it is two minutes, after one to come to rest.
//
//	go test ./cmd/ebbwatch -run '^$' -bench Idle -benchtime 1x
func BenchmarkIdle(b *testing.B) {
	daemon, bare := builtBinary(b, "./"), builtBinary(b, "../../testdata/bareexporter/main.go")
	rest, span := time.Minute, 2*time.Minute
	if os.Getenv("EBBWATCH_STUDY") != "" {
		rest, span = 2*time.Minute, 20*time.Minute
	}
	if told, err := time.ParseDuration(os.Getenv("EBBWATCH_IDLE")); err == nil {
		span = told
	}
	for b.Loop() {
		low := idleConfig(b, tired())
		well := idleConfig(b, words{10: 1332, 11: 20, 12: 75, 13: 50}) // 13.32 V, 0.2 A into it, 7.5 W of sun for 5 W
		ours, ourPage := startBinary(b, daemon, "run", "--config", well)
		lows, lowPage := startBinary(b, daemon, "run", "--config", low)
		theirs, theirPage := startBinary(b, bare)
		scraped := func(d time.Duration) {
			tick, end := time.NewTicker(15*time.Second), time.After(d)
			defer tick.Stop()
			for {
				select {
				case <-end:
					return
				case <-tick.C:
					for _, page := range []string{ourPage, lowPage, theirPage} {
						_, _ = get(b, page+"/metrics")
					}
				}
			}
		}
		scraped(rest)
		a, l, z, out := used(b, ours), used(b, lows), used(b, theirs), sentBy(b, ourPage)
		scraped(span)
		a2, l2, z2, out2 := used(b, ours), used(b, lows), used(b, theirs), sentBy(b, ourPage)
		s := span.Seconds()
		b.ReportMetric(100*(a2.CPUSeconds-a.CPUSeconds)/s, "%core-ebbwatch")
		b.ReportMetric(100*(z2.CPUSeconds-z.CPUSeconds)/s, "%core-bare")
		b.ReportMetric((a2.Wakeups-a.Wakeups)/s, "wakeups/s-ebbwatch")
		b.ReportMetric((l2.Wakeups-l.Wakeups)/s, "wakeups/s-low")
		b.ReportMetric((z2.Wakeups-z.Wakeups)/s, "wakeups/s-bare")
		b.ReportMetric((a2.WrittenBytes-a.WrittenBytes)/s*86400/1e6, "MB/day-written")
		b.ReportMetric((l2.WrittenBytes-l.WrittenBytes)/s*86400/1e6, "MB/day-written-low")
		b.ReportMetric((out2-out)/s*15/1e3, "kB-sent/scrape")
	}
}

// idleConfig is a node that is asked every 10 s.
func idleConfig(b *testing.B, w words) (file string) {
	b.Helper()
	file = configure(b, slave(b, w), newReceiver(b).URL)
	text, err := os.ReadFile(file)
	if err != nil {
		b.Fatal(err)
	}
	write(b, file, strings.Replace(string(text), "every: 1s", "every: 10s", 1))
	return file
}

// sentBy is what a daemon says that it has sent, bytes.
func sentBy(b *testing.B, page string) float64 {
	b.Helper()
	body, _ := get(b, page+"/metrics")
	m := regexp.MustCompile(`(?m)^ebbwatch_own_sent_bytes_total (\S+)`).FindStringSubmatch(body)
	if m == nil {
		b.Fatalf("what is sent is not exported:\n%s", body)
	}
	x, _ := strconv.ParseFloat(m[1], 64) // it is a number, or else Prometheus could not read it
	return x
}

func used(b *testing.B, cmd *exec.Cmd) cost.Use {
	b.Helper()
	u, err := cost.Read("/proc", cmd.Process.Pid)
	if err != nil {
		b.Fatal(err)
	}
	return u
}

// BenchmarkSizeForARM is the stripped program for a small board, against a bare exporter.
func BenchmarkSizeForARM(b *testing.B) {
	size := func(pkg string) float64 {
		path := filepath.Join(b.TempDir(), "program")
		cmd := exec.Command("go", "build", "-trimpath", "-ldflags=-s -w", "-o", path, pkg)
		cmd.Env = append(os.Environ(), "CGO_ENABLED=0", "GOOS=linux", "GOARCH=arm", "GOARM=7")
		if out, err := cmd.CombinedOutput(); err != nil {
			b.Fatalf("cannot build %s: %v\n%s", pkg, err, out)
		}
		info, err := os.Stat(path)
		if err != nil {
			b.Fatal(err)
		}
		return float64(info.Size()) / 1e6
	}
	for b.Loop() {
		ours, bare := size("./"), size("../../testdata/bareexporter/main.go")
		b.ReportMetric(ours, "MB-ebbwatch")
		b.ReportMetric(bare, "MB-bare")
		b.ReportMetric(ours/bare, "ratio")
	}
}
