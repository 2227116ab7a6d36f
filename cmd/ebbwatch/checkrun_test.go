package main

import (
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// fineConfig is a configuration that is fine; each mistake replaces a part of it.
const fineConfig = `site: {name: slipway, latitude: 52.75, longitude: 6.57, timezone: Europe/Amsterdam}
battery: {capacity_ah: 80}
array: {watts_peak: 240, tilt_deg: 60, azimuth_deg: 180}
sources:
  - {name: charger, every: 1s, modbus: {tcp: "127.0.0.1:1", unit: 1, map: charger.yaml}}
notify:
  - {name: owner, webhook: {url: "http://127.0.0.1:1/"}}
web: {listen: "127.0.0.1:0"}
state: state
`

// altered is that, and its map beside it, with a part replaced; what is not found in either is
// added at the end.
func altered(t *testing.T, replace, by string) string {
	t.Helper()
	dir := t.TempDir()
	text, registers := fineConfig, tiredMap
	switch {
	case strings.Contains(text, replace) && replace != "":
		text = strings.Replace(text, replace, by, 1)
	case strings.Contains(registers, replace) && replace != "":
		registers = strings.Replace(registers, replace, by, 1)
	default:
		text += by + "\n"
	}
	write(t, filepath.Join(dir, "charger.yaml"), registers)
	if err := syscall.Mkfifo(filepath.Join(dir, "pipe"), 0o600); err != nil { // nobody ever writes to it
		t.Fatal(err)
	}
	file := filepath.Join(dir, "ebbwatch.yaml")
	write(t, file, text)
	return file
}

// What check refuses run refuses, with the same words at the same places; check says nothing that
// is new to run, since both build the parts by the same code.
func TestCheckAndRunRefuseTheSame(t *testing.T) {
	t.Parallel()
	rows := []struct{ replace, by, says string }{
		{"latitude: 52.75", "latitude: 152.75", ":1:"},
		{"timezone: Europe/Amsterdam", "timezone: Europe/Boathouse", "is not a time zone"},
		{"capacity_ah: 80", "capcity_ah: 80", "capacity_ah"},
		{"capacity_ah: 80", "capacity_ah: 80, cutoff_volts: 40", "cutoff_volts"},
		{"tilt_deg: 60", "tilt_deg: 160", "tilt_deg"},
		{"map: charger.yaml", "map: nowhere.yaml", "nowhere.yaml"},
		{"map: charger.yaml", "map: pipe", "it is a fifo: give a file"},
		{"map: charger.yaml", "map: .", "it is a folder: give a file"},
		{"map: charger.yaml", "map: /dev/zero", "it is a device: give a file"},
		{"quantity: pv_watts", "quantity: pv_wats", "charger.yaml:"},
		{"unit: 1", "unit: 1000", "unit"},
		{"address: 12", "address: 30012", "input register 11 in the numbering"},
		{"webhook:", "webhok:", "webhook"},
		{`listen: "127.0.0.1:0"`, `listen: ":9777"`, "names no address to bind to"},
		{`listen: "127.0.0.1:0"`, `listen: "127.0.0.1:99999"`, "outside 0..65535"},
		{"", "loads:\n  - {name: radio, wats: 6}", `unknown key "wats"`},
		{"", "alerts:\n  rules:\n    - {name: mine, when: battery_volt < 12}", `no fact "battery_volt"`},
		{"", "remote_write: {}", "exactly one of url and url_file"},
		{"", `remote_write: {url: "boathouse"}`, "not an address"},
		{"", `heartbeat: {url: "boathouse"}`, "not an address"},
		{"", "weather: {every: 3h}", "needs the address of the forecast"},
		{"", "stat: elsewhere", "stat"},
		{"state: state\n", "", "state is missing"},
	}
	bad, err := filepath.Glob("../../testdata/badconfig/*.yaml")
	if err != nil || len(bad) == 0 {
		t.Fatal(len(bad), err)
	}
	files := map[string]string{}
	for _, r := range rows {
		files[altered(t, r.replace, r.by)] = r.says
	}
	for _, f := range bad {
		files[f] = ""
	}
	for file, want := range files {
		_, checked, checkCode := said(t, "check", "--config", file)
		text, _ := os.ReadFile(file) // only for the message
		if checkCode != 1 && strings.Contains(file, "badconfig") {
			continue // bad for the parts that the tests of package config make up
		}
		if checkCode != 1 {
			t.Errorf("check lets this pass:\n%s", text)
			continue
		}
		_, ran, runCode := said(t, "run", "--config", file)
		if checkCode != 1 || runCode != 1 || !strings.Contains(checked, want) {
			t.Errorf("check ends with %d, run with %d, want 1 and %q:\n%s\n%s", checkCode, runCode, want, text, checked)
		}
		if !strings.HasPrefix(ran, checked) {
			t.Errorf("run says\n%s\ncheck says\n%s\nof\n%s", ran, checked, text)
		}
	}
}

// A configuration, or a web configuration, that is no file is refused at once by both.
func TestFifoForAConfiguration(t *testing.T) {
	t.Parallel()
	file := altered(t, "", "")
	pipe := filepath.Join(filepath.Dir(file), "pipe")
	for _, command := range []string{"check", "run"} {
		for _, args := range [][]string{{"--config", pipe}, {"--config", file, "--web.config.file", pipe}} {
			if _, stderr, code := said(t, append([]string{command}, args...)...); code != 1 || !strings.Contains(stderr, "it is a fifo: give a file") {
				t.Errorf("%s %v ends with %d: %s", command, args, code, stderr)
			}
		}
	}
}

// What check lets pass run starts with, be it doubtful or not ready yet.
func TestCheckAndRunTakeTheSame(t *testing.T) {
	t.Parallel()
	for name, r := range map[string]struct{ replace, by, notes, doubts string }{
		"fine":                     {},
		"no file with the address": {"", "remote_write: {url_file: nowhere.url}", "remote write yet", ""},
		"no token":                 {"", `remote_write: {url: "http://127.0.0.1:1/", bearer_file: nowhere}`, "remote write yet", ""},
		"no address of a channel":  {`url: "http://127.0.0.1:1/"`, "url_file: nowhere.url", "channel owner yet", ""},
		"no heartbeat":             {"", "heartbeat: {url_file: nowhere.url}", "heartbeat", ""},
		"a fifo for an address":    {`url: "http://127.0.0.1:1/"`, "url_file: pipe", "it is a fifo: give a file", ""},
		"a fifo for a token":       {"", `remote_write: {url: "http://127.0.0.1:1/", bearer_file: pipe}`, "it is a fifo: give a file", ""},
		"a folder for a heartbeat": {"", "heartbeat: {url_file: .}", "it is a folder: give a file", ""},
		"a decimal sign short":     {"capacity_ah: 80", "capacity_ah: 1280", "", "ebbwatch.yaml:2:24: doubtful: battery.capacity_ah: 1280 Ah"},
		"exchanged coordinates":    {"latitude: 52.75, longitude: 6.57", "latitude: 6.57, longitude: 52.75", "", "latitude and longitude exchanged?"},
		"the sign of a longitude":  {"longitude: 6.57, timezone: Europe/Amsterdam", "longitude: 75.6, timezone: America/Denver", "", "is the sign right?"},
		"towards the pole":         {"azimuth_deg: 180", "azimuth_deg: 10", "", "faces away from the equator"},
		"nobody is told":           {"notify:\n  - {name: owner, webhook: {url: \"http://127.0.0.1:1/\"}}\n", "notify: []\n", "", "nobody is told"},
		"nobody is told, no key":   {"notify:\n  - {name: owner, webhook: {url: \"http://127.0.0.1:1/\"}}\n", "", "", "nobody is told"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			file := altered(t, r.replace, r.by)
			stdout, stderr, code := said(t, "check", "--config", file)
			if code != 0 || !strings.Contains(stdout, "is fine") || !strings.Contains(stderr, r.notes) || !strings.Contains(stderr, r.doubts) {
				t.Errorf("check ends with %d: %s%s", code, stdout, stderr)
			}
			if r.notes+r.doubts == "" && stderr != "" {
				t.Errorf("check says %s", stderr)
			}
			if _, stderr, code := said(t, "check", "--strict", "--config", file); (code == 1) != (r.doubts != "") {
				t.Errorf("check --strict ends with %d: %s", code, stderr)
			}
			out, stop := start(t, "run", "--config", file)
			eventually(t, 20*time.Second, "it runs", func() bool {
				body, _ := get(t, out.page()+"/metrics")
				want := "ebbwatch_config_accepted 1\n"
				if r.notes != "" {
					want = "ebbwatch_config_accepted 0\n"
				}
				return strings.Contains(body, want)
			})
			if code := stop(); code != 0 {
				t.Errorf("run ends with %d:\n%s", code, out)
			}
		})
	}
}

// Mistakes are told in one pass, also those behind others, and of every file.
func TestCheckTellsMistakesBehindMistakes(t *testing.T) {
	t.Parallel()
	file := altered(t, "quantity: pv_watts", "quantity: pv_wats")
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	wrong := strings.NewReplacer("latitude: 52.75", "latitude: x", "unit: 1,", "unit: 1000,", "capacity_ah: 80", "capacity_ah: -1", "webhook:", "webhok:").Replace(string(text))
	wrong += "loads:\n  - {name: radio, wats: 6}\nalerts:\n  quiet: never\n  rules:\n    - {name: mine, when: battery_volt < 12}\nremote_write: {}\nheartbeat: {}\n"
	write(t, file, wrong)
	_, stderr, code := said(t, "check", "--config", file)
	for _, want := range []string{"latitude", "capacity_ah", "unit", "pv_wats", "webhok", "wats", "quiet", `no fact "battery_volt"`, "remote_write needs", "heartbeat needs"} {
		if !strings.Contains(stderr, want) || code != 1 {
			t.Errorf("nothing is said of %s:\n%s", want, stderr)
		}
	}
}
