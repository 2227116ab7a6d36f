package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/creack/pty"
)

// By flags alone: a configuration that checks, a true reading, a message that arrives.
func TestSetupByFlags(t *testing.T) {
	t.Parallel()
	hook, dir := newReceiver(t), t.TempDir()
	file, mapFile := filepath.Join(dir, "ebbwatch.yaml"), filepath.Join(dir, "map.yaml")
	write(t, mapFile, tiredMap)
	args := []string{"setup", "--config", file, "--state", filepath.Join(dir, "state"), "--name", "slipway", "--place", "52.75, 6.57", "--timezone", "Europe/Amsterdam",
		"--capacity-ah", "80", "--watts-peak", "240", "--tilt", "60", "--port", "tcp:" + strings.Trim(strings.TrimPrefix(slave(t, tired()), "tcp: "), `"`), "--map", mapFile,
		"--notify", "webhook", "--webhook-url", hook.URL}
	stdout, stderr, code := said(t, args...)
	if code != 0 || !strings.Contains(stdout, "battery_volts  12.75 V") || !strings.Contains(stdout, "took the test notice") {
		t.Fatalf("code %d: %s%s", code, stdout, stderr)
	}
	if n := hook.notices("test"); len(n) == 0 || !strings.Contains(n[0].Title, "slipway: a test") {
		t.Errorf("no message arrived: %v", n)
	}
	if stdout, stderr, code := said(t, "check", file); code != 0 {
		t.Errorf("check: code %d: %s%s", code, stdout, stderr)
	}
	for name, mode := range map[string]os.FileMode{"hook.url": 0o600, "ebbwatch.yaml.answers": 0o600, "ebbwatch.yaml": 0o644} {
		if info, err := os.Stat(filepath.Join(dir, name)); err != nil || info.Mode().Perm() != mode {
			t.Errorf("%s: %v, %v", name, info, err)
		}
	}
	before, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	// Run again with one flag it changes one thing, and keeps a copy.
	if stdout, stderr, code := said(t, "setup", "--config", file, "--state", filepath.Join(dir, "state"), "--watts-peak", "300"); code != 0 {
		t.Fatalf("again: code %d: %s%s", code, stdout, stderr)
	}
	after, err := os.ReadFile(file)
	if err != nil || string(after) != strings.Replace(string(before), "watts_peak: 240", "watts_peak: 300", 1) {
		t.Errorf("%v: more than one thing changed:\n%s", err, after)
	}
	copies, err := filepath.Glob(file + ".before-*")
	if err != nil || len(copies) != 1 {
		t.Fatalf("%v: %d copies", err, len(copies))
	}
	if old, err := os.ReadFile(copies[0]); err != nil || string(old) != string(before) {
		t.Errorf("the copy is not what was there: %v", err)
	}
}

func TestSetupWithNobodyToAskSaysWhatLacks(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	_, stderr, code := said(t, "setup", "--config", filepath.Join(dir, "e.yaml"), "--name", "slipway")
	if code != 64 || !strings.Contains(stderr, "cannot set up: nobody is there to ask: give --place, --capacity-ah") {
		t.Errorf("code %d: %s", code, stderr)
	}
	_, stderr, code = said(t, "setup", "--config", filepath.Join(dir, "e.yaml"), "--capacity-ah", "much")
	if code != 64 || !strings.Contains(stderr, `--capacity-ah: "much" is to be a number from 1 to 5000`) {
		t.Errorf("code %d: %s", code, stderr)
	}
	if _, err := os.Stat(filepath.Join(dir, "e.yaml")); err == nil {
		t.Error("a configuration was written")
	}
}

// At a terminal, as an owner types it: cut off in the middle, gone on with, to a tested message.
func TestSetupInATerminal(t *testing.T) {
	t.Parallel()
	hook, dir := newReceiver(t), t.TempDir()
	file, mapFile := filepath.Join(dir, "ebbwatch.yaml"), filepath.Join(dir, "map.yaml")
	write(t, mapFile, tiredMap)
	port := "tcp:" + strings.Trim(strings.TrimPrefix(slave(t, tired()), "tcp: "), `"`)
	first := terminalSetup(t, dir, file)
	first.answer("What is this site called?", "slipway")
	first.answer("Where is it?", "52.75, 6.57")
	first.answer("In which time zone?", "Europe/Amsterdam")
	first.wait("How much does the battery hold")
	first.cut()
	s := terminalSetup(t, dir, file)
	s.answer("What is this site called? [slipway]", "")
	s.answer("Where is it? [52.75, 6.57]", "")
	s.answer("In which time zone? [Europe/Amsterdam]", "")
	s.answer("How much does the battery hold, in Ah?", "eighty")
	s.answer("That will not do", "80")
	s.answer("How many cells", "")
	s.answer("How many watts", "240")
	s.answer("How steep", "60")
	s.answer("Which way do they face, in degrees? [180]", "")
	s.answer("mppt or pwm?", "")
	s.answer("On which serial port", port)
	s.answer("Which Modbus address", "")
	s.answer("Where is its register map?", mapFile)
	s.answer("Which hops", "")
	s.answer("How are you to be told", "webhook")
	s.answer("What is the address of the webhook?", hook.URL)
	s.wait("battery_volts  12.75 V")
	s.answer("own display say the same?", "yes")
	s.answer("Did the test message reach you?", "yes")
	s.wait("Start it:")
	if err := s.cmd.Wait(); err != nil {
		t.Errorf("%v:\n%s", err, s.out.String())
	}
	if len(hook.notices("test")) == 0 {
		t.Error("no message arrived")
	}
}

// Wrong numbers on the display end it: nothing is called done, nothing is to be started.
func TestSetupEndsWhereTheDisplayDisagrees(t *testing.T) {
	t.Parallel()
	hook, dir := newReceiver(t), t.TempDir()
	file, mapFile := filepath.Join(dir, "ebbwatch.yaml"), filepath.Join(dir, "map.yaml")
	write(t, mapFile, tiredMap)
	s := terminalSetup(t, dir, file, "--name", "slipway", "--timezone", "Europe/Amsterdam", "--capacity-ah", "80", "--cells", "4",
		"--watts-peak", "240", "--tilt", "60", "--azimuth", "180", "--charger", "mppt", "--unit", "1", "--map", mapFile, "--ping", "none",
		"--port", "tcp:"+strings.Trim(strings.TrimPrefix(slave(t, tired()), "tcp: "), `"`), "--notify", "webhook", "--webhook-url", hook.URL)
	s.answer("Where is it?", "geo:52,6")
	s.wait("Understood: latitude 52, longitude 6.")
	s.answer("own display say the same?", "no")
	s.wait("cannot call this done: the display says otherwise")
	if err := s.cmd.Wait(); err == nil {
		t.Error("it exits as if all were well")
	}
	if strings.Contains(s.out.String(), "Start it:") || len(hook.notices("test")) > 0 {
		t.Errorf("it goes on:\n%s", s.out.String())
	}
}

func TestSetupNamesItsDamagedAnswers(t *testing.T) {
	t.Parallel()
	file := filepath.Join(t.TempDir(), "e.yaml")
	write(t, file+".answers", `{"name": "slip`)
	if _, stderr, code := said(t, "setup", "--config", file, "--name", "slipway"); code == 0 || code == 64 || !strings.Contains(stderr, "e.yaml.answers") {
		t.Errorf("code %d: %s", code, stderr)
	}
	file = filepath.Join(t.TempDir(), "nowhere", "e.yaml") // cannot be written, as on a full disk
	if _, stderr, code := said(t, "setup", "--config", file, "--name", "slipway"); code == 0 || code == 64 || !strings.Contains(stderr, "cannot keep the answers") {
		t.Errorf("code %d: %s", code, stderr)
	}
}

// typed is a program at a terminal of its own.
type typed struct {
	t    *testing.T
	cmd  *exec.Cmd
	tty  *os.File
	out  *screen
	seen int // of what it printed, up to the last that was waited for
}

func terminalSetup(t *testing.T, dir, file string, more ...string) *typed {
	t.Helper()
	cmd := exec.Command(os.Args[0], append([]string{"setup", "--config", file, "--state", filepath.Join(dir, "state")}, more...)...)
	cmd.Env = append(os.Environ(), asMain+"=1")
	tty, err := pty.Start(cmd)
	if err != nil {
		t.Fatal(err)
	}
	s := &typed{t: t, cmd: cmd, tty: tty, out: &screen{}}
	go func() {
		buf := make([]byte, 4096)
		for {
			n, err := tty.Read(buf)
			_, _ = s.out.Write(buf[:n])
			if err != nil {
				return
			}
		}
	}()
	t.Cleanup(func() { _ = cmd.Process.Kill(); _ = tty.Close() })
	return s
}

// wait waits until it has printed something further on.
func (s *typed) wait(text string) {
	s.t.Helper()
	eventually(s.t, 30*time.Second, text+" in\n"+s.out.String(), func() bool {
		at := strings.Index(s.out.String()[s.seen:], text)
		if at >= 0 {
			s.seen += at + len(text)
		}
		return at >= 0
	})
}

func (s *typed) answer(question, text string) {
	s.t.Helper()
	s.wait(question)
	if _, err := s.tty.WriteString(text + "\n"); err != nil {
		s.t.Fatal(err)
	}
}

// cut ends it as Ctrl-C does.
func (s *typed) cut() {
	s.t.Helper()
	if _, err := s.tty.WriteString("\x03"); err != nil {
		s.t.Fatal(err)
	}
	_ = s.cmd.Wait() // it was interrupted
}
