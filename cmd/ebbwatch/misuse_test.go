package main

import (
	"encoding/json"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// A command line that is not understood is said to be so, with what was meant or the place that
// tells more, and with an exit code of its own.
func TestMistypedCommandLines(t *testing.T) {
	t.Parallel()
	for args, want := range map[string]string{
		"frobnicate":                   `cannot understand the command line: unknown command "frobnicate"; see: ebbwatch --help`,
		"chek":                         `unknown command "chek": did you mean check?`,
		"histroy export":               `unknown command "histroy": did you mean history?`,
		"history exprt":                `unknown command "exprt": did you mean export?; see: ebbwatch history --help`,
		"history":                      "cannot tell what to do with the history: give one of export",
		"run --nope":                   "cannot understand the command line: there is no flag --nope; see: ebbwatch run --help",
		"run --cnofig x":               "there is no flag --cnofig: did you mean --config?",
		"version extra":                `"extra" is one word too many; see: ebbwatch version --help`,
		"status now":                   `"now" is one word too many`,
		"status --watch 5":             `--watch "5" is not a time such as 90m or 36h`,
		"demo --speed fast":            `--speed "fast" is not a number; see: ebbwatch demo --help`,
		"demo --scene sunny":           `cannot show --scene "sunny": there are grey, cloudy`,
		"demo --speed -1":              "cannot use --speed -1",
		"survey --unit one":            `--unit "one" is not a whole number`,
		"check --config":               "--config needs a value after it; see: ebbwatch check --help",
		"check one.yaml two.yaml":      `"two.yaml" is one word too many`,
		"check --config a.yaml b.yaml": "two files are named: a.yaml and b.yaml",
		"replay":                       `cannot understand the command line: required flag(s) "out", "readings" not set; see: ebbwatch replay --help`,
		"history export x":             "see: ebbwatch history export --help",
		"silence":                      "cannot tell what you want",
	} {
		_, stderr, code := said(t, strings.Fields(args)...)
		if code != 64 || !strings.Contains(stderr, want) || strings.Contains(stderr, "strconv") || strings.Contains(stderr, "pflag") {
			t.Errorf("%s: code %d: %s\nwant %s", args, code, stderr, want)
		}
	}
}

// Every answer for scripts has one form: an object with the schema's version, in snake_case.
func TestAnswersForScripts(t *testing.T) {
	t.Parallel()
	file := configure(t, slave(t, tired()), newReceiver(t).URL)
	dir := t.TempDir()
	write(t, filepath.Join(dir, "r.csv"), "time,battery_volts,load_on\n2026-01-31T09:05:00Z,13.2,1\n2026-02-01T09:05:00Z,13.1,1\n2026-02-02T09:05:00Z,13.0,0\n")
	for args, want := range map[string]string{
		"check --json " + file: "problems",
		"survey --list --json": "ports",
		"backtest --json --config " + file + " --readings " + filepath.Join(dir, "r.csv"): "outages_known",
	} {
		stdout, stderr, _ := said(t, strings.Fields(args)...)
		var answer map[string]any
		if err := json.Unmarshal([]byte(stdout), &answer); err != nil || answer["schema"] != 1.0 || answer[want] == nil {
			t.Errorf("%s: %v: %s%s", args, err, stdout, stderr)
			continue
		}
		if m := regexp.MustCompile(`"[a-z_]*[A-Z][A-Za-z_]*":`).FindString(stdout); m != "" {
			t.Errorf("%s: the field %s is not in snake_case", args, m)
		}
	}
}
