package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ebbwatch/cmd/internal/core"
	"ebbwatch/cmd/internal/daemon"
	"ebbwatch/cmd/internal/statedir"
	"ebbwatch/collector/nodestate"
	"ebbwatch/collector/sim"
)

// State that older versions saved opens, for ever: each folder of testdata/state was written
// by a daemon of its time (the first by four days of the demonstration, in which a warning was
// raised, those after it, with their history, by a soak) and is never written again. A change that cannot read one of them needs a way to.
func TestOldStateOpens(t *testing.T) {
	t.Parallel()
	folders, err := filepath.Glob("../../testdata/state/v*")
	if err != nil || len(folders) < 1 {
		t.Fatalf("no old state is there: %v", err)
	}
	for _, folder := range folders {
		t.Run(filepath.Base(folder), func(t *testing.T) {
			t.Parallel()
			dir := filepath.Join(t.TempDir(), "state")
			if err := os.CopyFS(dir, os.DirFS(folder)); err != nil {
				t.Fatal(err)
			}
			var memory core.Memory
			var alerts daemon.Alerts
			for name, v := range map[string]any{"node": &memory, "alerts": &alerts} {
				if err := statedir.Peek(dir, name, v); err != nil {
					t.Errorf("%s: %v", name, err)
				}
				nothingIsForgotten(t, filepath.Join(dir, name), v)
			}
			if memory.Wall.IsZero() || memory.Energy["pv"] < 1e6 || len(memory.Doubts) == 0 {
				t.Errorf("the memory has lost what it held: %v, %v", memory.Wall, memory.Energy)
			}
			goesOn(t, dir)
		})
	}
}

// nothingIsForgotten finds keys of the saved JSON that no field takes any more: what was
// renamed would be lost in silence. What a version drops on purpose is listed here.
func nothingIsForgotten(t *testing.T, file string, v any) {
	t.Helper()
	// the belief's clock is the core's: no other time is kept beside it
	dropped := map[string]bool{}
	for _, key := range []string{"WallNanos", "Trusted", "Late", "LateSet", "SeenNanos", "Ran", "Lost", "Began", "Foreign"} {
		dropped["/Belief/"+key] = true
	}
	// the memory of doubts is another's now; it was that of some polls
	for _, source := range []string{"charger", "path"} {
		for _, key := range []string{"Pairs", "Volts", "Night/Mirror"} {
			dropped["/Doubts/"+source+"/"+key] = true
		}
	}
	// the battery's day is learned as a wave, within days; lowest and highest told it before
	for _, key := range []string{"Low", "High", "Swing"} {
		dropped["/Outlook/Warmth/"+key] = true
	}
	var saved any
	if err := statedir.Peek(filepath.Dir(file), filepath.Base(file), &saved); err != nil {
		t.Fatal(err)
	}
	again, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	var now any
	if err := json.Unmarshal(again, &now); err != nil {
		t.Fatal(err)
	}
	for _, key := range missing(saved, now, "") {
		if !dropped[key] {
			t.Errorf("%s: %s is not read any more", filepath.Base(file), key)
		}
	}
}

// missing lists the keys of a that hold something and are not in b.
func missing(a, b any, path string) []string {
	switch a := a.(type) {
	case map[string]any:
		in, _ := b.(map[string]any)
		var out []string
		for key, x := range a {
			y, there := in[key]
			if !there && !empty(x) {
				out = append(out, path+"/"+key)
				continue
			}
			out = append(out, missing(x, y, path+"/"+key)...)
		}
		return out
	case []any:
		in, _ := b.([]any)
		if len(a) > 0 && len(in) > 0 {
			return missing(a[0], in[0], path+"/0")
		}
	}
	return nil
}

func empty(x any) bool {
	switch x := x.(type) {
	case nil:
		return true
	case map[string]any:
		return len(x) == 0
	case []any:
		return len(x) == 0
	case float64:
		return x == 0
	case bool:
		return !x
	}
	return x == ""
}

// goesOn starts today's daemon on it: nothing is set aside, and the charge is what it was.
func goesOn(t *testing.T, dir string) {
	t.Helper()
	file := configure(t, slave(t, tired()), newReceiver(t).URL)
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	write(t, file, strings.Replace(string(text), "state: state", "state: "+dir, 1))
	_, hadHistory := os.Stat(filepath.Join(dir, "history.db"))
	out, _ := start(t, "run", "--config", file)
	var st nodestate.State
	eventually(t, 20*time.Second, "the daemon believes something", func() bool {
		body, status := get(t, out.page()+"/api/v1/state")
		return status == 200 && json.Unmarshal([]byte(body), &st) == nil && st.Facts["battery_soc_high"] > 0
	})
	if log := out.String(); strings.Contains(log, "damaged") {
		t.Errorf("old state was not read:\n%s", log)
	}
	if aside, _ := filepath.Glob(filepath.Join(dir, "*.damaged-*")); len(aside) > 0 {
		t.Errorf("old state was set aside: %v", aside)
	}
	if hadHistory == nil {
		recorded(t, out.page())
	}
	// A fresh start with this configuration has nothing of the record of harvests.
	if st.EnergyJoules["pv"] < 1e6 {
		t.Errorf("the record of the harvest is gone: %v", st.EnergyJoules["pv"])
	}
}

// recorded finds what the soak wrote into the history in the days of its node.
func recorded(t *testing.T, page string) {
	t.Helper()
	from := sim.DemoStart()
	body, status := get(t, page+"/api/v1/history?points=100&from="+from.Format(time.RFC3339)+"&to="+from.Add(24*time.Hour).Format(time.RFC3339))
	if n := strings.Count(body, "2026-10-0"); status != 200 || n < 20 || !strings.Contains(body, "battery_volts") {
		t.Errorf("%d, %d moments of the old history: %.500s", status, n, body)
	}
}
