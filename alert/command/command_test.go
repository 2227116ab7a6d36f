package command

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"ebbwatch/alert"
	"ebbwatch/alert/alerttest"
)

// shell is a command of one line, run in a folder of its own.
func shell(t *testing.T, line string) Config {
	return Config{Run: []string{"/bin/sh", "-c", line}, Stdin: "json", Dir: t.TempDir(), Timeout: 20 * time.Second}
}

func send(t *testing.T, c Config) error {
	t.Helper()
	return New(c).Send(t.Context(), alerttest.Notice())
}

func read(t *testing.T, c Config, name string) string {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(c.Dir, name))
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}

func TestTheNoticeIsOnStandardInput(t *testing.T) {
	t.Parallel()
	c := shell(t, "cat >out")
	if err := send(t, c); err != nil {
		t.Fatal(err)
	}
	var got alert.Notice
	if err := json.Unmarshal([]byte(read(t, c, "out")), &got); err != nil || !reflect.DeepEqual(got, alerttest.Notice()) {
		t.Errorf("%v: got %+v", err, got)
	}
	c.Stdin = "text"
	if err := send(t, c); err != nil {
		t.Fatal(err)
	}
	if got := read(t, c, "out"); got != alerttest.Notice().Plain() {
		t.Errorf("got %q", got)
	}
}

func TestItSeesNothingOfTheDaemon(t *testing.T) {
	t.Setenv("DAEMON_KEY", "5ecret")
	c := shell(t, "env >env; ls -l /proc/self/fd >fds")
	c.Env = map[string]alert.Secret{"ROOM": "boathouse"}
	c.EnvFiles = map[string]string{"TOKEN": alerttest.SecretFile(t, "t0ken")}
	if err := send(t, c); err != nil {
		t.Fatal(err)
	}
	var names []string
	for line := range strings.Lines(read(t, c, "env")) {
		name, _, _ := strings.Cut(line, "=")
		if !slices.Contains([]string{"PWD", "SHLVL", "_", "OLDPWD"}, name) { // the shell's own
			names = append(names, name)
		}
	}
	slices.Sort(names)
	want := "EBBWATCH_ID EBBWATCH_PHASE EBBWATCH_RULE EBBWATCH_SEVERITY HOME LANG PATH ROOM TOKEN"
	if got := strings.Join(names, " "); got != want {
		t.Errorf("its environment has %s, want %s", got, want)
	}
	if env := read(t, c, "env"); !strings.Contains(env, "ROOM=boathouse\n") || !strings.Contains(env, "TOKEN=t0ken\n") {
		t.Errorf("its environment is %s", env)
	}
}

func TestExitStatus(t *testing.T) {
	t.Parallel()
	for line, want := range map[string]struct {
		fails, permanent bool
		says, said       string // in the error, and for whoever tries the channel
	}{
		"exit 0": {},
		"exit 1": {fails: true, says: "cannot tell by /bin/sh: it ended with exit status 1"},
		"echo a >&2; echo no credit >&2; exit 75": {true, false, "exit status 75", "no credit"},
		"exit 64":           {true, true, "exit status 64", ""},
		"exit 65":           {true, true, "exit status 65", ""},
		"kill -9 $$":        {true, false, "signal: killed", ""},
		"exec 0<&-; exit 0": {}, // it need not read
		"yes | head -c 3000000; yes | head -c 3000000 >&2; exit 3": {true, false, "exit status 3", "y"},
		"head -c 9000 /dev/zero | tr '\\0' x >&2; exit 4":          {true, false, "exit status 4", ""},
	} {
		t.Run(line, func(t *testing.T) {
			t.Parallel()
			err := send(t, shell(t, line))
			if (err != nil) != want.fails || alert.IsRefused(err) != want.permanent {
				t.Fatalf("got %v, permanent %v", err, alert.IsRefused(err))
			}
			if err != nil && !strings.HasSuffix(err.Error(), want.says) {
				t.Errorf("got %v, want it to end with %q", err, want.says)
			}
			if ended, ok := errors.AsType[Ended](err); ok && ended.Said() != want.said {
				t.Errorf("it said %q, want %q", ended.Said(), want.said)
			}
		})
	}
}

// TestItDiesWithItsChildren: when the time is over, and when it left something behind.
func TestItDiesWithItsChildren(t *testing.T) {
	t.Parallel()
	for name, row := range map[string]struct {
		line  string
		fails bool
	}{
		"too slow": {"sleep 1000 & echo $! >child; echo $$ >self; wait", true},
		"left":     {"sleep 1000 >/dev/null 2>&1 & echo $! >child; echo $$ >self", false},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			c := shell(t, row.line)
			ctx, cancel := context.WithCancel(t.Context())
			done := make(chan error, 1)
			go func() { done <- New(c).Send(ctx, alerttest.Notice()) }()
			if row.fails {
				waitFor(t, func() bool {
					said, err := os.ReadFile(filepath.Join(c.Dir, "self"))
					return err == nil && len(said) > 0
				})
				cancel()
			}
			err := <-done
			cancel()
			if (err != nil) != row.fails || alert.IsRefused(err) {
				t.Errorf("got %v", err)
			}
			for _, who := range []string{"self", "child"} {
				pid := 0
				fmt.Sscan(read(t, c, who), &pid)
				if pid == 0 {
					t.Fatalf("%s wrote no number", who)
				}
				waitFor(t, func() bool { return dead(pid) })
			}
		})
	}
}

// dead tells whether a process has ended, though nobody may have asked after it yet.
func dead(pid int) bool {
	if syscall.Kill(pid, 0) != nil {
		return true
	}
	data, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	return err != nil || strings.Contains(string(data), ") Z ")
}

// waitFor waits for what another process does; the test as a whole has a time limit.
func waitFor(t *testing.T, done func() bool) {
	t.Helper()
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	for !done() {
		select {
		case <-tick.C:
		case <-t.Context().Done():
			t.Fatal("it did not happen")
		}
	}
}

func TestTimeout(t *testing.T) {
	t.Parallel()
	c := shell(t, "sleep 1000")
	c.Timeout = 50 * time.Millisecond
	err := send(t, c)
	if err == nil || err.Error() != "cannot tell by /bin/sh: it did not end within 50ms" || alert.IsRefused(err) {
		t.Errorf("got %v", err)
	}
}

func TestLeaksNoSecret(t *testing.T) {
	t.Parallel()
	c := shell(t, `cat >&2; echo "no entry for $ROOM with $TOKEN" >&2; exit 1`)
	c.Env = map[string]alert.Secret{"ROOM": "5ecret-room", "EMPTY": ""}
	c.EnvFiles = map[string]string{"TOKEN": alerttest.SecretFile(t, "t0ken")}
	alerttest.LeaksNoSecret(t, New(c), c, "exit status 1", "5ecret", "t0ken")
	c.EnvFiles["TOKEN"] = "/nowhere/token"
	alerttest.LeaksNoSecret(t, New(c), c, "/nowhere/token", "5ecret")
	c = Config{Run: []string{"/nowhere/tell", "--key", "k3y"}, Env: c.Env}
	alerttest.LeaksNoSecret(t, New(c), Config{}, "cannot tell by /nowhere/tell: it cannot be started: no such file", "5ecret", "k3y")
}

func TestCheck(t *testing.T) {
	t.Parallel()
	for want, c := range map[string]Config{
		"":                                    {Run: []string{"/bin/true"}},
		`run: "tell" is not a full path`:      {Run: []string{"tell"}},
		"env_files: A is given under env too": {Run: []string{"/bin/true"}, Env: map[string]alert.Secret{"A": "x"}, EnvFiles: map[string]string{"A": "y"}},
	} {
		got := ""
		c.Check(func(key, what string) { got += key + ": " + what })
		if got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	}
}

// section decodes nothing but hands over what a test says.
type section Config

func (s section) Decode(v any) error {
	*v.(*Config) = Config(s)
	return nil
}

func TestKind(t *testing.T) {
	t.Parallel()
	c := shell(t, "cat >out")
	ch, err := Kind().New(section(c))
	if err != nil {
		t.Fatal(err)
	}
	if err := ch.Send(t.Context(), alerttest.Notice()); err != nil || read(t, c, "out") == "" {
		t.Errorf("got %v", err)
	}
}

func TestReady(t *testing.T) {
	t.Parallel()
	for program, want := range map[string]string{"/bin/true": "", "/nowhere/tell": "/nowhere/tell: it cannot be started: ", "/etc/passwd": "cannot be started"} {
		err := New(Config{Run: []string{program}}).Ready()
		if (err == nil) != (want == "") || err != nil && !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v", program, err)
		}
	}
	if err := New(Config{Run: []string{"/bin/true"}, EnvFiles: map[string]string{"KEY": "/nowhere/key"}}).Ready(); err == nil || !strings.Contains(err.Error(), "/nowhere/key") {
		t.Errorf("a missing secret: %v", err)
	}
}
