package main

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"ebbwatch/cmd/internal/config"
	"ebbwatch/cmd/internal/manual"
	"ebbwatch/collector/needtest"
	"ebbwatch/deploy/handbook"
)

// fences are the blocks of code of a page, with what stands behind the opening mark.
func fences(t *testing.T, topic string) (blocks []fence) {
	t.Helper()
	text, err := handbook.Page(topic)
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range regexp.MustCompile("(?ms)^```(.+?)\n(.*?)^```$").FindAllStringSubmatch(text, -1) {
		blocks = append(blocks, fence{topic, m[1], m[2]})
	}
	return blocks
}

// fence is a block of code: its page, its mark, its text.
type fence struct{ topic, mark, text string }

// Every page can be read, is found by its topic, and no other lies beside them.
func TestHandbookIsWhole(t *testing.T) {
	t.Parallel()
	files, err := filepath.Glob(deployed("handbook", "*.md"))
	if err != nil || len(files) != len(handbook.Topics()) {
		t.Errorf("%d pages, %d topics, %v", len(files), len(handbook.Topics()), err)
	}
	for _, topic := range handbook.Topics() {
		out, errs, code := said(t, "help", topic)
		if code != 0 || len(out) < 500 || strings.Contains(out, "**") || strings.Contains(out, "```") {
			t.Errorf("help %s: code %d: %s%s", topic, code, out, errs)
		}
		for line := range strings.Lines(out) {
			if n := len([]rune(line)) - 1; n > 80 && !strings.HasPrefix(line, "    ") {
				t.Errorf("help %s: a line of %d: %s", topic, n, line)
			}
		}
		for _, m := range regexp.MustCompile("`ebbwatch help ([a-z-]+)`").FindAllStringSubmatch(out, -1) {
			if !slices.Contains(handbook.Topics(), m[1]) {
				t.Errorf("%s sends to %s, which is no page", topic, m[1])
			}
		}
	}
}

func TestHelpFindsCommandsAndTopics(t *testing.T) {
	t.Parallel()
	for args, want := range map[string]string{"help": "help first-hour", "help status": "Shows what a running daemon knows", "help history export": "in the form that replay reads"} {
		if out, errs, code := said(t, strings.Fields(args)...); code != 0 || !strings.Contains(out, want) {
			t.Errorf("%s: code %d: %s%s", args, code, out, errs)
		}
	}
	_, errs, code := said(t, "help", "wirring")
	if code != 64 || !strings.Contains(errs, `cannot help with "wirring": did you mean wiring?`) {
		t.Errorf("code %d: %s", code, errs)
	}
}

// Every piece of configuration in the handbook is what the program takes.
func TestHandbookConfiguration(t *testing.T) {
	t.Parallel()
	sections := map[string]string{"site": "{name: slipway, latitude: 52.75, longitude: 6.57}", "battery": "{capacity_ah: 80}", "sources": "[{name: path, ping: {hosts: {gate: 10.20.0.2}}}]", "state": "/var/lib/ebbwatch"}
	tried := 0
	for _, topic := range handbook.Topics() {
		for _, f := range fences(t, topic) {
			if f.mark != "yaml" {
				continue
			}
			tried++
			dir := t.TempDir()
			file, text := filepath.Join(dir, "c.yaml"), f.text
			switch {
			case strings.HasPrefix(text, "registers:"):
				write(t, filepath.Join(dir, "map.yaml"), text)
				text = "sources:\n  - {name: charger, modbus: {tcp: \"127.0.0.1:1\", map: map.yaml}}\n"
			case strings.Contains(text, "\nnodes:"):
				write(t, file, text)
				if _, errs, code := said(t, "watch", "--check", "--config", file); code != 0 {
					t.Errorf("%s: %s\n%s", topic, errs, text)
				}
				continue
			}
			for key, value := range sections {
				if !strings.HasPrefix(text, key+":") {
					text += fmt.Sprintf("%s: %s\n", key, value)
				}
			}
			write(t, file, text)
			if _, problems := load(file, config.All()); len(problems) > 0 {
				t.Errorf("%s: %v\n%s", topic, problems, text)
			}
		}
	}
	if tried < 6 {
		t.Errorf("only %d pieces of configuration were found", tried)
	}
}

// Commands that change a board are run by the packages' own checks, in a Debian root, and the
// update by TestUpdateOfTheRealDaemon. Here they are held against those.
func TestHandbookBoardCommandsAreTriedSomewhere(t *testing.T) {
	t.Parallel()
	tried := "ebbwatch-update /root/new/usr/bin/ebbwatch\n"
	for _, name := range []string{"try", "boot", "check"} {
		text, err := os.ReadFile(deployed("package", name))
		if err != nil {
			t.Fatal(err)
		}
		tried += string(text)
	}
	for _, topic := range handbook.Topics() {
		for _, f := range fences(t, topic) {
			if f.mark != "sh board" {
				continue
			}
			for line := range strings.Lines(f.text) {
				want := strings.ReplaceAll(strings.TrimSpace(line), "ebbwatch_VERSION_ARCH.deb", "/root/old.deb")
				if !regexp.MustCompile(regexp.QuoteMeta(want) + `(\n| [|>]|\))`).MatchString(tried) {
					t.Errorf("%s: none of the packages' checks runs %q", topic, want)
				}
			}
		}
	}
}

// Every other command is run here as a reader would give it, beside a demonstration, a page after
// the other. A command fails when it cannot do its work; that of `status` tells the state.
func TestHandbookCommands(t *testing.T) {
	t.Parallel()
	shell := needtest.Program(t, "sh")
	demo, _ := start(t, "demo", "--listen", "127.0.0.1:0", "--speed", "5000")
	eventually(t, 60*time.Second, "the demonstration reads its battery", func() bool {
		if demo.page() == "" {
			return false
		}
		body, _ := get(t, demo.page()+"/metrics")
		return strings.Contains(body, "ebbwatch_battery_soc_ratio ")
	})
	config := regexp.MustCompile(`--config (\S+)`).FindStringSubmatch(demo.String())
	if config == nil {
		t.Fatalf("the demonstration names no configuration:\n%s", demo)
	}
	bench := newBench(t, demo.page(), config[1])
	eventually(t, 60*time.Second, "there is a record of some hours", func() bool {
		text, _, _ := said(t, "history", "export", "--config", config[1])
		return strings.Count(text, ",13.") > 20
	})
	ran := 0
	for _, topic := range handbook.Topics() {
		for _, f := range fences(t, topic) {
			lines := strings.Split(strings.TrimSpace(f.text), "\n")
			switch f.mark {
			case "sh":
				for _, line := range lines {
					bench.run(t, shell, topic, line)
					ran++
				}
			case "sh demo", "sh setup", "sh terminal":
				// demo is what runs above; the conversations have terminals of their own in
				// TestSetupInATerminal and the tests of the survey: here they must be understood.
				for _, line := range lines {
					bench.understood(t, topic, line)
					ran++
				}
			case "sh board", "yaml": // see the two tests above
			default:
				t.Errorf("%s: a block marked %q is run by no test", topic, f.mark)
			}
		}
	}
	t.Logf("%d commands", ran)
	if ran < 25 {
		t.Errorf("only %d commands were found", ran)
	}
}

// bench is a folder with a program ebbwatch in it that means the demonstration where a reader's
// board would mean its own daemon.
type bench struct{ dir string }

// newBench makes one: status asks the page, the other commands take the configuration.
func newBench(t *testing.T, page, config string) bench {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	b := bench{t.TempDir()}
	script := fmt.Sprintf(`#!/bin/sh
export %[1]s=1
case "$*" in *--config*) exec %[2]q "$@" ;; esac
case "$1" in
status) exec %[2]q "$@" --url %[3]s ;;
history | check | silence | report | backtest | replay | climate | survey)
  case "$*" in *--list*) exec %[2]q "$@" ;; *) exec %[2]q "$@" --config %[4]q ;; esac ;;
*) exec %[2]q "$@" ;;
esac
`, asMain, self, page, config)
	if err := os.WriteFile(filepath.Join(b.dir, "ebbwatch"), []byte(script), 0o755); err != nil {
		t.Fatal(err)
	}
	climate := "date,ghi_kwh_m2,air_celsius\n"
	monthly := []float64{0.6, 1.2, 2.4, 4.0, 5.0, 5.3, 5.0, 4.3, 3.0, 1.7, 0.8, 0.5} // as in the annotated configuration
	for day := time.Date(2020, 1, 1, 0, 0, 0, 0, time.UTC); day.Year() < 2024; day = day.AddDate(0, 0, 1) {
		climate += fmt.Sprintf("%s,%g,9\n", day.Format(time.DateOnly), monthly[day.Month()-1])
	}
	write(t, filepath.Join(b.dir, "climate.csv"), climate)
	hook := newReceiver(t)
	tests := filepath.Join(b.dir, "notified.yaml")
	write(t, tests, fmt.Sprintf("site: {name: slipway, latitude: 52.75, longitude: 6.57}\nbattery: {capacity_ah: 80}\nsources: [{name: path, ping: {hosts: {gate: 10.20.0.2}}}]\nnotify: [{name: owner, webhook: {url: %q}}]\nstate: %q\n", hook.URL, filepath.Join(b.dir, "state")))
	return b
}

// run gives a line to a shell in the bench's folder.
func (b bench) run(t *testing.T, shell, topic, line string) {
	t.Helper()
	given := strings.ReplaceAll(line, "--config /etc/ebbwatch/ebbwatch.yaml", "")
	if strings.Contains(line, "--send-test") { // the demonstration has nobody to tell
		given += " --config notified.yaml"
	}
	cmd := exec.CommandContext(t.Context(), shell, "-c", given)
	cmd.Dir = b.dir
	cmd.Env = append(os.Environ(), "PATH="+b.dir+":"+os.Getenv("PATH"))
	out, err := cmd.CombinedOutput()
	code := cmd.ProcessState.ExitCode()
	if err != nil && !(strings.HasPrefix(line, "ebbwatch status") && code >= 1 && code <= 3) {
		t.Errorf("%s: %s\n%v\n%s", topic, line, err, out)
	}
}

// understood wants a command whose words and flags the program knows, without running it.
func (b bench) understood(t *testing.T, topic, line string) {
	t.Helper()
	out, errs, code := said(t, append(strings.Fields(line)[1:], "--help")...)
	if code != 0 || !strings.Contains(out, "Usage:") {
		t.Errorf("%s: %s: code %d: %s", topic, line, code, errs)
	}
}

// The pages for man are made of the same text.
func TestHandbookAsManualPages(t *testing.T) {
	t.Parallel()
	list, _, _ := said(t, "man", "--list")
	if !slices.Equal(strings.Fields(list), handbook.Topics()) {
		t.Errorf("man --list says %q", list)
	}
	for _, topic := range handbook.Topics() {
		text, _, _ := said(t, "man", topic)
		if !strings.HasPrefix(text, ".TH "+strings.ReplaceAll(strings.ToUpper(manual.PageName(topic)), "-", `\-`)+" 7 ") {
			t.Errorf("man %s begins with %.60q", topic, text)
		}
	}
}
