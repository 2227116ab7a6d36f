// Package update holds the script that changes the program of a running node. Its tests run
// it with programs that behave well or badly.
package update_test

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// bench is a folder in which the script finds everything it touches.
type bench struct {
	t   *testing.T
	dir string
}

func newBench(t *testing.T) bench {
	t.Helper()
	b := bench{t, t.TempDir()}
	b.program("ebbwatch", "old", 2, "ready")
	b.write("state/node", "what the old one knew", 0o600)
	b.write("state/alerts", "what the old one told", 0o600)
	b.write("soc", "0.62", 0o600)
	b.write("sun", "31.5", 0o600)
	// systemctl: what was started last says what runs, and a start touches the state.
	b.write("systemctl", fmt.Sprintf(`#!/bin/sh
cd %q
case $1 in
stop) rm -f running ;;
start | restart)
	./ebbwatch version | grep -q wontstart && exit 1
	./ebbwatch version >running
	echo touched by "$(cat running)" >state/node
	grep -q ^old running || echo newer >state/node.1 ;;
esac
`, b.dir), 0o755)
	return b
}

func (b bench) path(name string) string { return filepath.Join(b.dir, name) }

func (b bench) write(name, text string, mode os.FileMode) {
	b.t.Helper()
	if err := os.MkdirAll(filepath.Dir(b.path(name)), 0o700); err != nil {
		b.t.Fatal(err)
	}
	if err := os.WriteFile(b.path(name), []byte(text), mode); err != nil {
		b.t.Fatal(err)
	}
}

// program is a stand-in for ebbwatch that reads some sources. conduct is ready, refuses (the
// configuration), wontstart, mute (never answers), blind (is never ready), or fades (answers
// once and then no more).
func (b bench) program(name, version string, sources int, conduct string) {
	up := ""
	for i := range 3 {
		up += fmt.Sprintf("    {\n      \"name\": \"s%d\",\n      \"up\": %v,\n      \"tried\": true\n    },\n", i, i < sources)
	}
	b.write(name, fmt.Sprintf(`#!/bin/sh
cd %q
case $1 in
version) echo %s %s ;;
check) [ %s != refuses ] ;;
status)
	[ %s = mute ] && exit 3
	if [ %s = fades ]; then
		[ -e asked ] && exit 3
		: >asked
	fi
	ready=true
	[ %s = blind ] && ready=false
	cat <<EOF
{
  "ready": $ready,
  "battery": {
    "reserve": 0.2,
    "soc": 0.7
  },
  "outlook": {
    "reserve": {
      "hours_p10": 60
    }
  },
  "facts": {
    "battery_soc_low": $(cat soc),
    "sun_elevation_degrees": $(cat sun)
  },
  "sources": [
%s  ],
  "peers": [
    {
      "name": "gate",
      "up": true
    }
  ]
}
EOF
	exit 1 ;;
esac
`, b.dir, version, conduct, conduct, conduct, conduct, conduct, up), 0o755)
}

// update runs the script.
func (b bench) update(args ...string) (out string, ok bool) {
	b.t.Helper()
	cmd := exec.CommandContext(b.t.Context(), "/bin/sh", append([]string{"ebbwatch-update"}, args...)...)
	cmd.Env = append(os.Environ(), "EBBWATCH_PROGRAM="+b.path("ebbwatch"), "EBBWATCH_STATE="+b.path("state"), "EBBWATCH_CONFIG=none",
		"EBBWATCH_SYSTEMCTL="+b.path("systemctl"), "EBBWATCH_TRIAL=2", "EBBWATCH_WAIT=2", "EBBWATCH_STEP=1")
	text, err := cmd.CombinedOutput()
	return string(text), err == nil
}

func (b bench) read(name string) string {
	text, _ := os.ReadFile(b.path(name)) // what is not there reads as nothing
	return strings.TrimSpace(string(text))
}

func (b bench) version() string {
	b.t.Helper()
	out, err := exec.Command(b.path("ebbwatch"), "version").Output()
	if err != nil {
		b.t.Fatal(err)
	}
	return strings.Fields(string(out))[0]
}

func TestUpdate(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name    string
		sources int
		conduct string
		soc     string
		sun     string
		args    []string
		ends    string // the version that is in place afterwards
		says    string
		touched bool // the daemon was stopped and started
	}{
		{"a good one", 2, "ready", "", "", nil, "new", "reads what the old one read", true},
		{"reads even more", 3, "ready", "", "", nil, "new", "reads what the old one read", true},
		{"refuses the configuration", 2, "refuses", "", "", nil, "old", "does not accept", false},
		{"does not start", 2, "wontstart", "", "", nil, "old", "does not start: the old one is back", true},
		{"never answers", 2, "mute", "", "", nil, "old", "the old one is back", true},
		{"is never ready", 2, "blind", "", "", nil, "old", "the old one is back", true},
		{"works and then fails", 2, "fades", "", "", nil, "old", "the old one is back", true},
		{"reads less than before", 1, "ready", "", "", nil, "old", "did not give real readings", true},
		{"below the reserve", 2, "ready", "0.19", "", nil, "old", "below the reserve", false},
		{"in the dark", 2, "ready", "", "-12.5", nil, "old", "come back by day", false},
		{"at dusk", 2, "ready", "", "4.9", nil, "old", "come back by day", false},
		{"in the dark by force", 2, "ready", "", "-12.5", []string{"--force"}, "new", "reads what the old one read", true},
		{"the charge is not known", 2, "ready", "null", "", nil, "old", "the charge is not known", false},
		{"the sun is not known", 2, "ready", "", "null", nil, "old", "whether there is daylight", false},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			b := newBench(t)
			b.program("fresh", "new", c.sources, c.conduct)
			for name, text := range map[string]string{"soc": c.soc, "sun": c.sun} {
				if text != "" {
					b.write(name, text, 0o600)
				}
			}
			out, ok := b.update(append(c.args, b.path("fresh"))...)
			if ok != (c.ends == "new") || !strings.Contains(out, c.says) {
				t.Errorf("ends well: %v; it says\n%s\nwant %q", ok, out, c.says)
			}
			if got := b.version(); got != c.ends {
				t.Errorf("the program in place is %s, want %s", got, c.ends)
			}
			for _, left := range []string{"ebbwatch.trial", "ebbwatch.new"} {
				if _, err := os.Stat(b.path(left)); err == nil {
					t.Errorf("%s is left behind", left)
				}
			}
			b.after(c.ends, c.touched)
		})
	}
}

// after looks at what runs and at the state.
func (b bench) after(ends string, touched bool) {
	b.t.Helper()
	if touched != (b.read("running") != "") || touched && !strings.HasPrefix(b.read("running"), ends) {
		b.t.Errorf("what runs is %q, want %s: %v", b.read("running"), ends, touched)
	}
	if got := b.read("state/alerts"); got != "what the old one told" {
		b.t.Errorf("the alarms were changed: %q", got)
	}
	if ends == "old" {
		if _, err := os.Stat(b.path("state/node.1")); err == nil {
			b.t.Error("the state of the new program is still there")
		}
	}
	if ends == "new" {
		if _, err := os.Stat(b.path("ebbwatch.old")); err != nil {
			b.t.Error("the old program is gone")
		}
	}
}

// A power cut during the trial: at boot the old program is put back.
func TestRecover(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	if err := os.Rename(b.path("ebbwatch"), b.path("ebbwatch.old")); err != nil {
		t.Fatal(err)
	}
	b.program("ebbwatch", "new", 2, "ready")
	b.write("ebbwatch.trial", "", 0o600)
	if out, ok := b.update(b.path("ebbwatch")); ok || !strings.Contains(out, "cut short") {
		t.Errorf("an update on top of one cut short: %v\n%s", ok, out)
	}
	if out, ok := b.update("--recover"); !ok || b.version() != "old" {
		t.Errorf("%v, %s is in place:\n%s", ok, b.version(), out)
	}
	if out, ok := b.update("--recover"); !ok || b.version() != "old" || out != "" {
		t.Errorf("with nothing to recover: %v, %s\n%s", ok, b.version(), out)
	}
}

// The state that the old program left is what it finds again.
func TestRollbackRestoresTheState(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.program("fresh", "new", 2, "mute")
	// The last start, by the old one, must see the old state: note it then.
	text := strings.Replace(b.read("systemctl"), "./ebbwatch version >running", "./ebbwatch version >running; cat state/node >seen", 1)
	b.write("systemctl", text+"\n", 0o755)
	if _, ok := b.update(b.path("fresh")); ok {
		t.Fatal("a program that never answers was kept")
	}
	if got := b.read("seen"); got != "what the old one knew" {
		t.Errorf("the old program found %q", got)
	}
}

func TestMisuse(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	for _, args := range [][]string{{}, {"a", "b"}, {b.path("nowhere")}, {"--force"}} {
		if out, ok := b.update(args...); ok || !strings.Contains(out, "cannot") {
			t.Errorf("%v: %v\n%s", args, ok, out)
		}
	}
	if b.read("running") != "" || b.version() != "old" {
		t.Error("something was changed")
	}
}
