package cost_test

import (
	"math"
	"os"
	"path/filepath"
	"testing"
	"time"

	"ebbwatch/cmd/internal/cost"
)

// layOut writes files below a folder of its own, as the kernel shows them below /proc.
func layOut(t *testing.T, files map[string]string) string {
	t.Helper()
	root := t.TempDir()
	for name, text := range files {
		path := filepath.Join(root, "42", name)
		if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return root
}

// The layout is that of proc(5); the name of a program may hold brackets and blanks.
func proc() map[string]string {
	return map[string]string{
		"stat": "42 (a) b (c) S 1 42 42 0 -1 4194560 2000 0 3 0 250 150 0 0 20 0 9 0 100 1300000000 7000 18446744073709551615 1 1" +
			" 0 0 0 0 0 2143420159 0 0 0 17 1 0 0 0 0 0 0 0 0 0 0 0 0 0\n",
		"io":             "rchar: 1\nwchar: 2\nsyscr: 3\nsyscw: 4\nread_bytes: 0\nwrite_bytes: 40960\ncancelled_write_bytes: 4096\n",
		"task/42/status": "Name:\tx\nThreads:\t2\nvoluntary_ctxt_switches:\t100\nnonvoluntary_ctxt_switches:\t7\n",
		"task/43/status": "Name:\tx\nvoluntary_ctxt_switches:\t11\nnonvoluntary_ctxt_switches:\t7\n",
	}
}

func TestRead(t *testing.T) {
	t.Parallel()
	u, err := cost.Read(layOut(t, proc()), 42)
	if !math.IsNaN(u.SentBytes) {
		t.Errorf("the kernel does not say what was sent, but %v", u.SentBytes)
	}
	u.SentBytes = 0
	if want := (cost.Use{CPUSeconds: 4, ResidentBytes: 7000 * float64(os.Getpagesize()), Wakeups: 111, WrittenBytes: 36864}); err != nil || u != want {
		t.Errorf("%+v, %v; want %+v", u, err, want)
	}
}

// What is missing is unknown, and takes nothing else with it.
func TestReadWithout(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name    string
		change  func(map[string]string)
		unknown func(cost.Use) []float64
	}{
		{"no io", func(p map[string]string) { delete(p, "io") }, func(u cost.Use) []float64 { return []float64{u.WrittenBytes} }},
		{"no bytes in io", func(p map[string]string) { p["io"] = "rchar: 1\n" }, func(u cost.Use) []float64 { return []float64{u.WrittenBytes} }},
		{"no stat", func(p map[string]string) { delete(p, "stat") }, func(u cost.Use) []float64 { return []float64{u.CPUSeconds, u.ResidentBytes} }},
		{"stat cut short", func(p map[string]string) { p["stat"] = "42 (x) S 1" }, func(u cost.Use) []float64 { return []float64{u.CPUSeconds} }},
		{"stat without its name", func(p map[string]string) { p["stat"] = "42 x S 1" }, func(u cost.Use) []float64 { return []float64{u.CPUSeconds} }},
		{"a word in stat", func(p map[string]string) {
			p["stat"] = "42 (x) S 1 42 42 0 -1 4 2 0 3 0 many 150 0 0 20 0 9 0 1 1 7000"
		},
			func(u cost.Use) []float64 { return []float64{u.CPUSeconds} }},
		{"no threads", func(p map[string]string) { delete(p, "task/42/status"); delete(p, "task/43/status") },
			func(u cost.Use) []float64 { return []float64{u.Wakeups} }},
	} {
		p := proc()
		c.change(p)
		u, err := cost.Read(layOut(t, p), 42)
		if err == nil {
			t.Errorf("%s: no error", c.name)
		}
		missing := 0
		for _, x := range []float64{u.CPUSeconds, u.ResidentBytes, u.Wakeups, u.WrittenBytes} {
			if math.IsNaN(x) {
				missing++
			}
		}
		for _, x := range c.unknown(u) {
			if !math.IsNaN(x) {
				t.Errorf("%s: %v is known", c.name, x)
			}
		}
		if missing > 2 {
			t.Errorf("%s: %d figures are unknown", c.name, missing)
		}
	}
}

// The kernel of this machine, which is no invention of ours, is read whole.
func TestReadThisProcess(t *testing.T) {
	t.Parallel()
	u, err := cost.Read("/proc", os.Getpid())
	if err != nil {
		t.Fatal(err)
	}
	if u.ResidentBytes < 1e6 || u.ResidentBytes > 1e10 || u.CPUSeconds < 0 || u.Wakeups < 1 || u.WrittenBytes < 0 {
		t.Errorf("this process uses %+v", u)
	}
}

func TestRates(t *testing.T) {
	t.Parallel()
	var m cost.Meter
	use := func(at time.Duration) cost.Use {
		s := at.Seconds()
		return cost.Use{CPUSeconds: 0.002 * s, ResidentBytes: 2e7, Wakeups: 5 * s, WrittenBytes: 6e6 * s / 86400, SentBytes: 3e6 * s / 86400}
	}
	if x := m.Take(0, use(0)); len(x) != 5 {
		t.Errorf("at the start: %v, want the five totals alone", x)
	}
	var x map[string]float64
	for at := 10 * time.Second; at <= 50*time.Hour; at += 10 * time.Second {
		x = m.Take(at, use(at))
	}
	for name, want := range map[string]float64{"own_cpu_ratio": 0.002, "own_wakeups_per_second": 5, "own_written_bytes_per_day": 6e6, "own_sent_bytes_per_day": 3e6} {
		if math.Abs(x[name]-want) > 1e-6*want {
			t.Errorf("%s = %v, want %v", name, x[name], want)
		}
	}
}

// A rate is of late: a busy start is forgotten after ten minutes.
func TestRatesForgetTheStart(t *testing.T) {
	t.Parallel()
	var m cost.Meter
	for at := time.Duration(0); at <= 12*time.Minute; at += 30 * time.Second {
		x := m.Take(at, cost.Use{CPUSeconds: 5 * min(at.Minutes(), 1)})
		if ratio, known := x["own_cpu_ratio"]; at == 12*time.Minute && (!known || ratio != 0) {
			t.Errorf("twelve minutes after a busy start: %v, %v", ratio, known)
		}
	}
}

// What a start writes is not taken for what the rest of the day will.
func TestABusyStartIsNoDay(t *testing.T) {
	t.Parallel()
	var m cost.Meter
	for at := time.Duration(0); at <= 6*time.Hour; at += time.Minute {
		x := m.Take(at, cost.Use{WrittenBytes: 1e6 * min(1, at.Minutes())})
		if a, known := x["own_written_bytes_per_day"]; at >= 10*time.Minute && (!known || a < 1e6 || a > 1.05e6) {
			t.Fatalf("%s after a start that wrote 1 MB: %v a day, %v", at, a, known)
		}
	}
}

// A thread that ends takes its count with it; the total never falls.
func TestWakeupsNeverFall(t *testing.T) {
	t.Parallel()
	var m cost.Meter
	last := 0.0
	for i, n := range []float64{100, 180, 60, 65, 20, 30} {
		got := m.Take(time.Duration(i)*time.Minute, cost.Use{Wakeups: n})["own_wakeups_total"]
		if got < last {
			t.Errorf("%v after %v", got, last)
		}
		last = got
	}
	if last != 195 { // 180, 5 more, then 10 more
		t.Errorf("the total is %v, want 195", last)
	}
}

func TestUnknownIsLeftOut(t *testing.T) {
	t.Parallel()
	var m cost.Meter
	nan := math.NaN()
	if x := m.Take(0, cost.Use{CPUSeconds: 1, ResidentBytes: nan, Wakeups: nan, WrittenBytes: nan, SentBytes: nan}); len(x) != 1 {
		t.Errorf("%v, want the processor time alone", x)
	}
}
