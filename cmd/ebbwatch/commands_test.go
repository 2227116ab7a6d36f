package main

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"runtime/debug"
	"slices"
	"strings"
	"testing"
	"time"

	"ebbwatch/cmd/internal/core"
	"ebbwatch/cmd/internal/statedir"
	"ebbwatch/collector/decode"
	"ebbwatch/collector/nodestate"
	"ebbwatch/estimator/outlook"
)

// said runs a command to its end.
func said(t *testing.T, args ...string) (stdout, stderr string, code int) {
	t.Helper()
	var out, errs screen
	code = run(t.Context(), args, &out, &errs)
	return out.String(), errs.String(), code
}

func TestCheckTellsEveryProblemWithItsPlace(t *testing.T) {
	t.Parallel()
	file := filepath.Join(t.TempDir(), "bad.yaml")
	write(t, file, `site: {name: slipway, latitude: 152.75, longitude: 6.57}
battery: {capcity_ah: 80}
sources:
  - {name: charger, modbus: {unit: 1, map: charger.yaml}}
alerts:
  rules:
    - {name: mine, when: battery_volt < 12}
state: /var/lib/ebbwatch
`)
	_, stderr, code := said(t, "check", "--config", file)
	if code != 1 {
		t.Errorf("exit code %d, want 1", code)
	}
	for _, want := range []string{
		file + ":1:33: ", file + ":2:11: ", "capacity_ah", file + ":4:", "charger.yaml", file + ":7:", `no fact "battery_volt"`,
	} {
		if !strings.Contains(stderr, want) {
			t.Errorf("nothing is said of %q:\n%s", want, stderr)
		}
	}
	stdout, _, code := said(t, "check", "--json", "--config", file)
	var told struct {
		Schema   int
		Problems []decode.Problem
	}
	if err := json.Unmarshal([]byte(stdout), &told); err != nil || code != 1 || told.Schema != 1 || len(told.Problems) != strings.Count(stderr, "\n") {
		t.Errorf("--json gives %d problems of schema %d, code %d, %v; %d lines were printed", len(told.Problems), told.Schema, code, err, strings.Count(stderr, "\n"))
	}
}

func TestCheckLooksIntoThePlan(t *testing.T) {
	t.Parallel()
	hook := newReceiver(t)
	file := configure(t, `tcp: "127.0.0.1:1"`, hook.URL)
	withSection(t, file, "loads:\n  - {name: radio, wats: 6}\n")
	if _, stderr, code := said(t, "check", "--config", file); code != 1 || !strings.Contains(stderr, `unknown key "wats"`) {
		t.Errorf("code %d: %s", code, stderr)
	}
}

func TestCheckChecksAWatchersFileToo(t *testing.T) {
	t.Parallel()
	sample, _, _ := said(t, "watch", "--sample")
	dir := t.TempDir()
	file := filepath.Join(dir, "home.yaml")
	write(t, file, sample)
	_, watched, wantCode := said(t, "watch", "--check", file)
	if _, stderr, code := said(t, "check", file); code != wantCode || stderr != watched {
		t.Errorf("code %d: %s\nwant %d: %s", code, stderr, wantCode, watched)
	}
	write(t, file, "nodes: [{name: X}]\n")
	if stdout, _, code := said(t, "check", "--json", file); code != 1 || !strings.Contains(stdout, `"file": `) || !strings.Contains(stdout, `"line": 1`) || !strings.Contains(stdout, `"what": `) {
		t.Errorf("code %d: %s", code, stdout)
	}
}

func TestMissingConfiguration(t *testing.T) {
	t.Parallel()
	for _, command := range []string{"run", "check", "silence"} {
		args := []string{command, "--config", "/nowhere/ebbwatch.yaml"}
		if command == "silence" {
			args = append(args, "--end")
		}
		if _, stderr, code := said(t, args...); code != 1 || !strings.Contains(stderr, "/nowhere/ebbwatch.yaml") {
			t.Errorf("%s: code %d: %s", command, code, stderr)
		}
	}
}

// A file may be named without its flag where nothing else could be meant.
func TestCheckTakesAFile(t *testing.T) {
	t.Parallel()
	file := configure(t, slave(t, tired()), newReceiver(t).URL)
	if stdout, stderr, code := said(t, "check", file); code != 0 || !strings.Contains(stdout, file+" is fine") {
		t.Errorf("code %d: %s%s", code, stdout, stderr)
	}
}

// What is no mistake and surprises all the same: a file with an address that is not there
// yet, and where a relative state folder lies.
func TestCheckTellsWhatIsNotReady(t *testing.T) {
	t.Parallel()
	file := configure(t, `tcp: "127.0.0.1:1"`, newReceiver(t).URL)
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	at := regexp.MustCompile(`webhook: \{url: [^}]*\}`)
	if !at.Match(text) {
		t.Fatalf("no webhook in\n%s", text)
	}
	write(t, file, at.ReplaceAllString(string(text), "webhook: {url_file: hook.url}"))
	stdout, stderr, code := said(t, "check", "--config", file)
	dir := filepath.Dir(file)
	if code != 0 || !strings.Contains(stdout, "state is kept in "+filepath.Join(dir, "state")) ||
		!strings.Contains(stderr, "nothing can go out through the channel owner yet: cannot read a secret: open "+filepath.Join(dir, "hook.url")) {
		t.Errorf("code %d: %s%s", code, stdout, stderr)
	}
}

func TestSilenceReachesTheDaemon(t *testing.T) {
	t.Parallel()
	hook := newReceiver(t)
	hook.away.Store(true)
	file := configure(t, slave(t, tired()), hook.URL)
	out, _ := start(t, "run", "--config", file)
	eventually(t, 20*time.Second, "it runs", func() bool { return out.page() != "" })
	id := ""
	eventually(t, 60*time.Second, "an alarm is shown with its id", func() bool {
		st, _, _ := askState(t.Context(), out.page())
		if st != nil && len(st.Alarms) > 0 {
			id = st.Alarms[0].Short
		}
		return id != ""
	})
	for args, want := range map[string]string{
		"silence":                                                 "cannot tell what you want",
		"silence --for 2h":                                        "without a reason",
		"silence --for 1000h --why x":                             "up to 720h",
		"silence cutoff_ahead":                                    "give --for or --end",
		"silence 9999 --for 2h --config " + file:                  `there is no alarm or rule "9999"`,
		"silence cutoff_ahead --end --config " + file:             `there is no muted alarm or rule "cutoff_ahead"`,
		"acknowledge 9999 --config " + file:                       `there is no active alarm "9999"`,
		"acknowledge " + id + " --config " + file:                 "",
		"silence " + id + " --for 24h --config " + file:           "",
		"silence source_silent/charger --for 2h --config " + file: "",
		"silence --for 2h --why rope --config " + file:            "",
	} {
		_, stderr, code := said(t, strings.Fields(args)...)
		if ok := code == 0; ok != (want == "") || !strings.Contains(stderr, want) {
			t.Errorf("%s: code %d: %s", args, code, stderr)
		}
	}
	eventually(t, 20*time.Second, "the daemon takes it", func() bool {
		st, _, _ := askState(t.Context(), out.page())
		handled := func(a nodestate.Alarm) bool { return a.Short == id && a.Acknowledged && !a.MutedUntil.IsZero() }
		return st != nil && slices.ContainsFunc(st.Alarms, handled) && strings.Contains(strings.Join(st.Problems, "\n"), ": source_silent/charger")
	})
	if stdout, _, _ := said(t, "status", "--url", out.page()); !strings.Contains(stdout, "id "+id) || !strings.Contains(stdout, "Seen. Muted until ") {
		t.Errorf("the status does not show what was done:\n%s", stdout)
	}
}

func TestDemoStartsAndLeavesNothing(t *testing.T) {
	before, tried := demoFolders(t), 0
	out, stop := start(t, "demo", "--listen", "127.0.0.1:0", "--speed", "3000")
	eventually(t, 20*time.Second, "the page's address is printed", func() bool { return out.page() != "" })
	eventually(t, 60*time.Second, "the simulated battery is read", func() bool {
		body, _ := get(t, out.page()+"/metrics")
		return strings.Contains(body, "ebbwatch_battery_soc_ratio ")
	})
	for line := range strings.Lines(out.String()) { // what it says to try is tried
		args := strings.Fields(line)
		if len(args) < 2 || args[0] != "ebbwatch" {
			continue
		}
		var text, errs string
		eventually(t, 60*time.Second, strings.Join(args, " ")+" finds something", func() bool {
			var code int
			text, errs, code = said(t, args[1:]...)
			enough := args[1] != "history" || strings.Count(text, ",13.") > 3 // volts of some hours
			return text != "" && enough && (code == 0 || args[1] == "status")
		})
		t.Logf("%s%s%s", line, text[:min(len(text), 300)], errs)
		tried++
	}
	if tried != 4 {
		t.Errorf("%d commands to try, want 4:\n%s", tried, out)
	}
	if code := stop(); code != 0 {
		t.Errorf("exit code %d:\n%s", code, out)
	}
	if left := demoFolders(t); len(left) > len(before) {
		t.Errorf("left behind: %v", left)
	}
}

func demoFolders(t *testing.T) []string {
	t.Helper()
	found, err := filepath.Glob(filepath.Join(os.TempDir(), "ebbwatch-demo-*"))
	if err != nil {
		t.Fatal(err)
	}
	return found
}

func TestReplayWritesItsFiles(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	write(t, filepath.Join(dir, "c.yaml"), "site: {name: slipway, latitude: 52.75, longitude: 6.57}\nbattery: {capacity_ah: 80}\n")
	rows := "time,battery_volts,battery_amps\n"
	for i := range 30 {
		rows += fmt.Sprintf("2026-01-12T%02d:%02d:00Z,13.1,-1\n", 12+i/12, i%12*5)
	}
	write(t, filepath.Join(dir, "r.csv"), rows)
	out := filepath.Join(dir, "out")
	_, stderr, code := said(t, "replay", "--config", filepath.Join(dir, "c.yaml"), "--readings", filepath.Join(dir, "r.csv"), "--out", out)
	if code != 0 || !strings.Contains(stderr, "30 rows replayed") {
		t.Fatalf("code %d: %s", code, stderr)
	}
	estimates, err := os.ReadFile(filepath.Join(out, "estimates.csv"))
	if err != nil || strings.Count(string(estimates), "\n") != 4 {
		t.Errorf("%v:\n%s", err, estimates)
	}
	if _, err := os.Stat(filepath.Join(out, "notices.jsonl")); err != nil {
		t.Error(err)
	}
	if _, stderr, code := said(t, "replay", "--config", filepath.Join(dir, "c.yaml"), "--readings", "/nowhere.csv", "--out", out); code != 1 || !strings.Contains(stderr, "/nowhere.csv") {
		t.Errorf("code %d: %s", code, stderr)
	}
}

// A replay that fails leaves nothing that looks like a result.
func TestAFailedReplayLeavesNothing(t *testing.T) {
	t.Parallel()
	file := configure(t, `tcp: "127.0.0.1:1"`, newReceiver(t).URL)
	dir := t.TempDir()
	readings, folder := filepath.Join(dir, "r.csv"), filepath.Join(dir, "out")
	write(t, readings, "time,battery_volts\n2026-01-31T09:05:00Z,13.2\nnoon,13.2\n")
	if _, stderr, code := said(t, "replay", "--config", file, "--readings", readings, "--out", folder); code != 1 || !strings.Contains(stderr, "r.csv:3:1") {
		t.Errorf("code %d: %s", code, stderr)
	}
	if _, err := os.Stat(folder); err == nil {
		t.Error("the folder is there")
	}
}

func TestLookingBackMakesNothing(t *testing.T) {
	t.Parallel()
	hook := newReceiver(t)
	file := configure(t, `tcp: "127.0.0.1:1"`, hook.URL)
	state := filepath.Join(filepath.Dir(file), "state")
	for args, want := range map[string]string{
		"history export": "nothing is recorded", "report": "nothing is recorded", "backtest": "nothing is recorded",
		"silence --for 1h --why rope": "no daemon runs",
	} {
		if _, stderr, code := said(t, append(strings.Fields(args), "--config", file)...); code != 1 || !strings.Contains(stderr, want) {
			t.Errorf("%s: code %d: %s", args, code, stderr)
		}
	}
	if exists(state) {
		t.Error("a state folder was made")
	}
}

func TestVersion(t *testing.T) {
	t.Parallel()
	if stdout, _, code := said(t, "version"); code != 0 || !strings.HasPrefix(stdout, "ebbwatch ") {
		t.Errorf("code %d: %s", code, stdout)
	}
	info := &debug.BuildInfo{GoVersion: "go1.26"}
	info.Main.Version = "v1.2.3"
	info.Settings = []debug.BuildSetting{{Key: "vcs.revision", Value: "0123456789abcdef0123"}}
	if b := buildOf(info); b.Version != "v1.2.3" || b.Revision != "0123456789ab" {
		t.Errorf("%+v", b)
	}
	if b := buildOf(nil); b.Version != "devel" {
		t.Errorf("%+v", b)
	}
}

func TestUnknownCommand(t *testing.T) {
	t.Parallel()
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	var out screen
	if code := run(ctx, []string{"runn"}, &out, &out); code != 64 || !strings.Contains(out.String(), "runn") {
		t.Errorf("code %d: %s", code, out.String())
	}
}

// What the daemon recorded comes out as a file that replay takes, while it runs and after.
func TestHistoryComesOutAsReplayTakesIt(t *testing.T) {
	t.Parallel()
	file := configure(t, slave(t, tired()), newReceiver(t).URL)
	findable(t, file)
	out, stop := start(t, "run", "--config", file)
	eventually(t, 20*time.Second, "the battery is read", func() bool {
		body, _ := get(t, out.page()+"/metrics")
		return strings.Contains(body, "ebbwatch_battery_volts ")
	})
	if csv, stderr, code := said(t, "history", "export", "--config", file); code != 0 || !strings.HasPrefix(csv, "time,") {
		t.Errorf("while it runs: code %d: %s%s", code, csv, stderr)
	}
	if code := stop(); code != 0 {
		t.Fatalf("exit code %d:\n%s", code, out)
	}
	csv, stderr, code := said(t, "history", "export", "--config", file)
	if code != 0 || strings.Count(csv, "\n") < 2 || !strings.Contains(csv, "12.75") {
		t.Fatalf("after the stop: code %d: %s%s", code, csv, stderr)
	}
	readings, folder := filepath.Join(t.TempDir(), "r.csv"), t.TempDir()
	write(t, readings, csv)
	if _, stderr, code := said(t, "replay", "--config", file, "--readings", readings, "--out", folder); code != 0 {
		t.Errorf("replay: code %d: %s", code, stderr)
	}
}

func TestSurveyRefusesBeforeItAsks(t *testing.T) {
	t.Parallel()
	taken := filepath.Join(t.TempDir(), "map.yaml")
	write(t, taken, "precious\n")
	hook := newReceiver(t)
	file := configure(t, `tcp: "127.0.0.1:1"`, hook.URL)
	if _, stderr, code := said(t, "survey", "--parity", "mark"); code != 64 || !strings.Contains(stderr, "none, even or odd") {
		t.Errorf("code %d: %s", code, stderr)
	}
	for args, want := range map[string]string{
		"survey --out " + taken:                     "it exists already",
		"survey --kick nobody --config " + file:     "no source of that name",
		"survey --kick charger --config /nowhere.x": "/nowhere.x",
	} {
		if _, stderr, code := said(t, strings.Fields(args)...); code != 1 || !strings.Contains(stderr, want) {
			t.Errorf("%s: code %d: %s", args, code, stderr)
		}
	}
	if _, stderr, code := said(t, "survey", "--list"); code != 0 {
		t.Errorf("--list: code %d: %s", code, stderr)
	}
}

func TestReportLooksBack(t *testing.T) {
	t.Parallel()
	hook := newReceiver(t)
	file := configure(t, slave(t, tired()), hook.URL)
	findable(t, file)
	out, stop := start(t, "run", "--config", file)
	eventually(t, 20*time.Second, "the warning is sent", func() bool { return len(hook.notices("low_volts")) > 0 })
	page := filepath.Join(t.TempDir(), "report.html")
	for args, want := range map[string]string{
		"report --last 1h --config " + file:                     "slipway",
		"report --last 1h --why --config " + file:               "never silent",
		"report --last 1h --html " + page + " --config " + file: "",
	} {
		stdout, stderr, code := said(t, strings.Fields(args)...)
		if code != 0 || !strings.Contains(stdout, want) {
			t.Errorf("while it runs: %s: code %d: %s%s", args, code, stdout, stderr)
		}
	}
	if html, err := os.ReadFile(page); err != nil || !strings.Contains(string(html), "</html>") || strings.Contains(string(html), "http://") {
		t.Errorf("the page is not whole, or names another host: %v", err)
	}
	if code := stop(); code != 0 {
		t.Fatalf("exit code %d:\n%s", code, out)
	}
	stdout, stderr, code := said(t, "report", "--last", "1h", "--config", file)
	if code != 0 || !strings.Contains(stdout, "12.75 V") {
		t.Errorf("after the stop: code %d: %s%s", code, stdout, stderr)
	}
	if strings.Contains(stdout, "Forecasts of going dark") {
		t.Errorf("forecasts are judged before any came true or not: %s", stdout)
	}
	state := filepath.Join(filepath.Dir(file), "state")
	scored(t, state)
	want := "Forecasts of going dark within 3 days: none of 12 that said unlikely"
	if stdout, stderr, code = said(t, "report", "--last", "1h", "--config", file); code != 0 || !strings.Contains(stdout, want) {
		t.Errorf("with forecasts scored: code %d: %s%s", code, stdout, stderr)
	}
	for _, generation := range []string{"node", "node.1"} {
		write(t, filepath.Join(state, generation), "not what was saved")
	}
	if stdout, stderr, code = said(t, "report", "--last", "1h", "--config", file); code != 0 || !strings.Contains(stdout, "not known: cannot read "+filepath.Join(state, "node")) {
		t.Errorf("with the memory damaged: code %d: %s%s", code, stdout, stderr)
	}
}

// scored adds a dozen forecasts that were right to what a daemon kept.
func scored(t *testing.T, state string) {
	t.Helper()
	store, err := statedir.Open(state)
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	var m core.Memory
	if got := store.Load("node", &m); !got.Found {
		t.Fatalf("the daemon kept nothing: %v", got.Problems)
	}
	m.Outlook.Ledger.Scores[2] = outlook.Score{N: 12, Bins: [10]outlook.ScoreBin{{N: 12, P: 0.6}}}
	if err := store.Save("node", m); err != nil {
		t.Fatal(err)
	}
}

// The two files that the README shows for a real node are what `check` takes.
func TestReadmeConfiguration(t *testing.T) {
	t.Parallel()
	text, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	blocks := strings.Split(string(text), "```yaml\n")
	if len(blocks) != 3 {
		t.Fatalf("%d YAML files in the README, want 2", len(blocks)-1)
	}
	for i, name := range []string{"ebbwatch.yaml", "charger.yaml"} {
		body, _, _ := strings.Cut(blocks[i+1], "```")
		write(t, filepath.Join(dir, name), body)
	}
	if stdout, stderr, code := said(t, "check", "--config", filepath.Join(dir, "ebbwatch.yaml")); code != 0 || !strings.Contains(stdout, "slipway, 2 sources, 1 channel") {
		t.Errorf("code %d: %s%s", code, stdout, stderr)
	}
	for _, command := range []string{"go run ./cmd/ebbwatch demo", "go test ./..."} {
		if !strings.Contains(string(text), "\n"+command+"\n") {
			t.Errorf("the README does not give the command %q", command)
		}
	}
}

// A readings file is looked back over as the node's own record is: as text, why, and JSON.
func TestReportOfReadings(t *testing.T) {
	t.Parallel()
	dir := filepath.Join("..", "..", "testdata", "stories", "grey-spell")
	args := []string{"report", "--config", filepath.Join(dir, "ebbwatch.yaml"), "--readings", filepath.Join(dir, "readings.csv")}
	for extra, want := range map[string]string{"": "The load was never off.", "--why": "The node was never silent in that time.", "--json": `"schema": 1`} {
		stdout, stderr, code := said(t, append(args, strings.Fields(extra)...)...)
		if code != 0 || !strings.Contains(stdout, want) || strings.Contains(stdout, "NaN") {
			t.Errorf("%q: code %d, %s%s", extra, code, stdout, stderr)
		}
	}
	if _, stderr, code := said(t, append(args, "--rain", "perhaps")...); code == 0 || !strings.Contains(stderr, `cannot use --rain: cannot read "perhaps"`) {
		t.Errorf("code %d, %s", code, stderr)
	}
}
