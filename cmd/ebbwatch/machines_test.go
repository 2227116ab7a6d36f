package main

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"ebbwatch/collector/needtest"
	"ebbwatch/collector/sim"
)

// machine is a kind of board, and the program that plays it here.
type machine struct {
	name, goarch, goarm, emulator string
}

func machines() []machine {
	return []machine{
		{"armv7", "arm", "7", "qemu-arm-static"},
		{"armv6", "arm", "6", "qemu-arm-static"},
		{"armv5", "arm", "5", "qemu-arm-static"}, // no floating point of its own, as in armel
		{"arm64", "arm64", "", "qemu-aarch64-static"},
		{"riscv64", "riscv64", "", "qemu-riscv64-static"},
	}
}

// The boards that people have say what this machine says. A replay of five days gives the
// same notices, and numbers that agree to 1e-9: the compilers of arm64 and riscv64 may fuse
// a multiplication with an addition, which changes last bits. What is lived through must
// therefore be in double precision, and no choice may hang on a last bit.
//
//	EBBWATCH_MACHINES=1 go test ./cmd/ebbwatch -run OtherMachines -v
func TestOtherMachines(t *testing.T) {
	if os.Getenv("EBBWATCH_MACHINES") == "" {
		t.Skip("skipped: needs EBBWATCH_MACHINES=1, it builds for every board")
	}
	dir := t.TempDir()
	file := fiveDays(t, dir)
	home := played(t, machine{name: "this"}, dir, file)
	for _, m := range machines() {
		t.Run(m.name, func(t *testing.T) {
			needtest.Program(t, m.emulator)
			away := played(t, m, dir, file)
			worst, where, beyond := 0.0, "", map[string]int{}
			for _, key := range slices.Sorted(maps.Keys(home)) {
				x, there := away[key]
				if !there {
					t.Errorf("%s is not there", key)
					continue
				}
				off := apart(home[key], x)
				if off > worst {
					worst, where = off, fmt.Sprintf("%s: %q here, %q there", key, home[key], x)
				}
				if off > 1e-9 {
					beyond[key[strings.LastIndex(key, " ")+1:]]++
				}
			}
			t.Logf("%d values, apart by at most %.3g %s", len(home), worst, where)
			if len(beyond) > 0 || len(home) != len(away) {
				t.Errorf("%d values here, %d there; too far apart: %v", len(home), len(away), beyond)
			}
		})
	}
}

// apart is how far two texts are apart as numbers, against the larger of them and 1;
// texts that are no numbers are the same or infinitely apart.
func apart(a, b string) float64 {
	if a == b {
		return 0
	}
	x, errX := strconv.ParseFloat(a, 64)
	y, errY := strconv.ParseFloat(b, 64)
	if errX != nil || errY != nil {
		return math.Inf(1)
	}
	return math.Abs(x-y) / max(1, math.Abs(x), math.Abs(y))
}

// played builds the program for a machine, and has it check, live through the days and begin
// the demonstration. It gives every value that came out, by its place.
func played(t *testing.T, m machine, dir, file string) map[string]string {
	t.Helper()
	program := filepath.Join(t.TempDir(), "ebbwatch")
	build := exec.Command("go", "build", "-trimpath", "-ldflags=-s -w", "-o", program, ".")
	build.Env = append(os.Environ(), "CGO_ENABLED=0")
	if m.goarch != "" {
		build.Env = append(build.Env, "GOARCH="+m.goarch, "GOARM="+m.goarm)
	}
	if out, err := build.CombinedOutput(); err != nil {
		t.Fatalf("cannot build for %s: %v\n%s", m.name, err, out)
	}
	command := func(args ...string) *exec.Cmd {
		args = append([]string{program}, args...)
		if m.emulator != "" {
			args = append([]string{m.emulator}, args...)
		}
		return exec.CommandContext(t.Context(), args[0], args[1:]...)
	}
	if out, err := command("check", "--config", file).CombinedOutput(); err != nil {
		t.Errorf("check: %v\n%s", err, out)
	}
	demonstrates(t, command("demo", "--listen", "127.0.0.1:0"))
	out := filepath.Join(dir, m.name)
	if text, err := command("replay", "--exact", "--config", file, "--readings", filepath.Join(dir, "days.csv"), "--out", out).CombinedOutput(); err != nil {
		t.Fatalf("replay: %v\n%s", err, text)
	}
	values := map[string]string{}
	estimatesOf(t, filepath.Join(out, "estimates.csv"), values)
	noticesOf(t, filepath.Join(out, "notices.jsonl"), values)
	if len(values) < 1000 {
		t.Fatalf("only %d values came out of the replay", len(values))
	}
	return values
}

// demonstrates starts the demonstration and waits for the first reading over its wire.
func demonstrates(t *testing.T, cmd *exec.Cmd) {
	t.Helper()
	out := &screen{}
	cmd.Stdout, cmd.Stderr = out, out
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() {
		_ = cmd.Process.Kill() // it has no end of its own
		_ = cmd.Wait()
	}()
	eventually(t, 2*time.Minute, "the demonstration runs", func() bool { return out.page() != "" })
	eventually(t, 2*time.Minute, "the battery is read", func() bool {
		body, _ := get(t, out.page()+"/metrics")
		return strings.Contains(body, "\nebbwatch_battery_volts ")
	})
}

func estimatesOf(t *testing.T, path string, into map[string]string) {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, row := range rows[1:] {
		for i, x := range row {
			into[row[0]+" "+rows[0][i]] = x
		}
	}
}

func noticesOf(t *testing.T, path string, into map[string]string) {
	t.Helper()
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	i := 0
	for line := range strings.Lines(string(text)) {
		var n map[string]any
		if err := json.Unmarshal([]byte(line), &n); err != nil {
			t.Fatal(err)
		}
		for key, x := range n {
			if all, ok := x.(map[string]any); ok {
				for fact, x := range all {
					into[fmt.Sprintf("notice %d %s %s", i, key, fact)] = fmt.Sprint(x)
				}
				continue
			}
			into[fmt.Sprintf("notice %d %s", i, key)] = fmt.Sprint(x)
		}
		i++
	}
}

// fiveDays writes the days of the demonstration as a record, with a configuration for it.
func fiveDays(t *testing.T, dir string) (file string) {
	t.Helper()
	demo, err := sim.NewDemo(sim.DemoOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer demo.Close()
	file = filepath.Join(dir, "ebbwatch.yaml")
	write(t, filepath.Join(dir, "map.yaml"), string(demo.Map))
	write(t, file, demo.Config(filepath.Join(dir, "map.yaml"), false)+"state: state\n")
	site := sim.New(demo.Spec)
	var b strings.Builder
	for at := 10 * time.Minute; at <= 5*24*time.Hour; at += 10 * time.Minute {
		now := demo.Spec.Start.Add(at)
		site.StepTo(now)
		values := site.Measured()
		if b.Len() == 0 {
			b.WriteString("time")
			for _, v := range values {
				b.WriteString("," + v.Quantity.String())
			}
			b.WriteString("\n")
		}
		b.WriteString(now.UTC().Format(time.RFC3339))
		for _, v := range values {
			b.WriteString("," + strconv.FormatFloat(v.X, 'g', 8, 64))
		}
		b.WriteString("\n")
	}
	write(t, filepath.Join(dir, "days.csv"), b.String())
	return file
}
