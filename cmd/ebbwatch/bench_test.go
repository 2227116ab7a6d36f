package main

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// BenchmarkResidentMemory runs the daemon and a bare client_golang exporter side by side,
// scrapes both alike and reports the ratio of what stays in memory.
//
//	go test ./cmd/ebbwatch -run '^$' -bench ResidentMemory -benchtime 1x
func BenchmarkResidentMemory(b *testing.B) {
	daemon, bare := builtBinary(b, "./"), builtBinary(b, "../../testdata/bareexporter/main.go")
	for b.Loop() {
		file := configure(b, slave(b, tired()), newReceiver(b).URL)
		ours, ourPage := startBinary(b, daemon, "run", "--config", file)
		theirs, theirPage := startBinary(b, bare)
		for range 300 {
			for _, page := range []string{ourPage, theirPage} {
				if _, status := get(b, page+"/metrics"); status != 200 {
					b.Fatalf("%s/metrics answers %d", page, status)
				}
			}
		}
		<-time.After(5 * time.Second) // let both come to rest, with polls going on
		a, z := residentMB(b, ours), residentMB(b, theirs)
		b.ReportMetric(a, "MB-ebbwatch")
		b.ReportMetric(z, "MB-bare")
		b.ReportMetric(a/z, "ratio")
	}
}

// BenchmarkStartToFirstMetric is the time from the start of the process to the first answer
// of /metrics that holds a reading, against a bare exporter's first answer. The state is there
// from the second start on, as on a board that comes back.
//
//	go test ./cmd/ebbwatch -run '^$' -bench StartToFirst -benchtime 20x
func BenchmarkStartToFirstMetric(b *testing.B) {
	daemon, bare := builtBinary(b, "./"), builtBinary(b, "../../testdata/bareexporter/main.go")
	file := configure(b, slave(b, tired()), newReceiver(b).URL)
	var ours, theirs time.Duration
	for b.Loop() {
		ours += untilMetric(b, "ebbwatch_battery_volts ", daemon, "run", "--config", file)
		theirs += untilMetric(b, "go_goroutines ", bare)
	}
	b.ReportMetric(float64(ours.Milliseconds())/float64(b.N), "ms-ebbwatch")
	b.ReportMetric(float64(theirs.Milliseconds())/float64(b.N), "ms-bare")
	b.ReportMetric(float64(ours)/float64(theirs), "ratio")
}

// untilMetric looks every millisecond: what it measures takes some tens of them.
func untilMetric(b *testing.B, metric, program string, args ...string) time.Duration {
	b.Helper()
	began := time.Now()
	cmd, out := launch(b, program, args...)
	look := time.NewTicker(time.Millisecond)
	defer look.Stop()
	for page := ""; time.Since(began) < 20*time.Second; <-look.C {
		if page == "" {
			page = out.page()
			continue
		}
		if body, _ := get(b, page+"/metrics"); strings.Contains(body, metric) {
			took := time.Since(began)
			_ = cmd.Process.Kill() // it is done with
			_ = cmd.Wait()
			return took
		}
	}
	b.Fatalf("%s exports no %s:\n%s", program, metric, out)
	return 0
}

// builtBinary builds a program as it is shipped.
func builtBinary(b *testing.B, pkg string) string {
	b.Helper()
	path := filepath.Join(b.TempDir(), "program")
	cmd := exec.Command("go", "build", "-trimpath", "-ldflags=-s -w", "-o", path, pkg)
	cmd.Env = append(os.Environ(), "CGO_ENABLED=0")
	if out, err := cmd.CombinedOutput(); err != nil {
		b.Fatalf("cannot build %s: %v\n%s", pkg, err, out)
	}
	return path
}

func startBinary(b *testing.B, program string, args ...string) (*exec.Cmd, string) {
	b.Helper()
	cmd, out := launch(b, program, args...)
	eventually(b, 20*time.Second, program+" runs", func() bool { return out.page() != "" })
	return cmd, out.page()
}

func launch(b *testing.B, program string, args ...string) (*exec.Cmd, *screen) {
	b.Helper()
	cmd, out := exec.Command(program, args...), &screen{}
	cmd.Stdout, cmd.Stderr = out, out
	if err := cmd.Start(); err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() {
		_ = cmd.Process.Kill() // it may have ended
		_ = cmd.Wait()
	})
	return cmd, out
}

// residentMB reads what the kernel says of a process.
func residentMB(b *testing.B, cmd *exec.Cmd) float64 {
	b.Helper()
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", cmd.Process.Pid))
	if err != nil {
		b.Skipf("skipped: needs /proc: %v", err)
	}
	for line := range strings.Lines(string(text)) {
		var kb float64
		if n, _ := fmt.Sscanf(line, "VmRSS: %f kB", &kb); n == 1 {
			return kb / 1024
		}
	}
	b.Fatal("the kernel does not say how much memory is resident")
	return 0
}
