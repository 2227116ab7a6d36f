package main

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// The script that changes the program of a running node, with the daemon itself: it must
// understand what the daemon says. This binary, which also is the daemon, is the old one and
// the new one.
func TestUpdateOfTheRealDaemon(t *testing.T) {
	t.Parallel()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	file := configure(t, slave(t, tired()), newReceiver(t).URL)
	address := findable(t, file)
	dir := filepath.Dir(file)
	program, systemctl, pid := filepath.Join(dir, "ebbwatch"), filepath.Join(dir, "systemctl"), filepath.Join(dir, "pid")
	if out, err := exec.Command("cp", self, program).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	script := fmt.Sprintf("#!/bin/sh\n[ -e %[2]q ] && kill $(cat %[2]q) && while kill -0 $(cat %[2]q); do sleep 0.1; done 2>/dev/null\nrm -f %[2]q\n[ $1 = stop ] && exit\n%[1]q run --config %[3]q >%[4]q 2>&1 &\necho $! >%[2]q\n",
		program, pid, file, filepath.Join(dir, "log"))
	if err := os.WriteFile(systemctl, []byte(script), 0o755); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		var n int
		text, _ := os.ReadFile(pid) // absent: nothing was started
		if _, err := fmt.Sscan(string(text), &n); err == nil {
			_ = syscall.Kill(n, syscall.SIGKILL) // it may have ended
		}
	})
	command := func(name string, args ...string) *exec.Cmd {
		cmd := exec.CommandContext(t.Context(), name, args...)
		cmd.Env = append(os.Environ(), asMain+"=1", "EBBWATCH_PROGRAM="+program, "EBBWATCH_CONFIG="+file, "EBBWATCH_URL=http://"+address,
			"EBBWATCH_SYSTEMCTL="+systemctl, "EBBWATCH_STATE="+filepath.Join(dir, "state"), "EBBWATCH_TRIAL=2", "EBBWATCH_WAIT=30", "EBBWATCH_STEP=1")
		return cmd
	}
	if out, err := command(systemctl, "start").CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	eventually(t, 20*time.Second, "the old daemon believes something", func() bool {
		body, _ := get(t, "http://"+address+"/metrics")
		return strings.Contains(body, "ebbwatch_battery_soc_low_ratio ")
	})
	// Whether the sun is up at the node depends on when this runs: both answers are right, and
	// both need the daemon's numbers to be understood.
	out, err := command("/bin/sh", deployed("update", "ebbwatch-update"), self).CombinedOutput()
	switch text := string(out); {
	case err == nil && strings.Contains(text, "reads what the old one read"):
	case err != nil && (strings.Contains(text, "come back by day") || strings.Contains(text, "below the reserve")):
		if out, err = command("/bin/sh", deployed("update", "ebbwatch-update"), "--force", self).CombinedOutput(); err != nil {
			t.Errorf("by force: %v\n%s", err, out)
		}
	default:
		t.Errorf("%v\n%s", err, out)
	}
	if _, err := os.Stat(program + ".old"); err != nil {
		t.Error("the old program was not kept")
	}
	if body, _ := get(t, "http://"+address+"/metrics"); !strings.Contains(body, `ebbwatch_source_up{source="charger"} 1`) {
		t.Error("the new daemon does not read its instrument")
	}
}
