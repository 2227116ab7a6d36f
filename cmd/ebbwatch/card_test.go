package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ebbwatch/cmd/internal/cardtest"
)

// remount changes how a mounted card may be used.
func remount(t *testing.T, folder, how string) {
	t.Helper()
	if out, err := exec.Command("mount", "-o", "remount,"+how, folder).CombinedOutput(); err != nil {
		t.Fatalf("cannot remount: %v %s", err, out)
	}
}

// The commonest end of a card: it turns read-only. The watch goes on, before and after a start,
// says so on the page, in the metrics and by a notice, and writes again when it can.
func TestACardThatTurnsReadOnly(t *testing.T) {
	t.Parallel()
	card := t.TempDir()
	cardtest.Attach(t, cardtest.Image(t, 16<<20), card)
	t.Cleanup(func() { cardtest.Detach(t, card) })
	hook := newReceiver(t)
	file := configure(t, slave(t, tired()), hook.URL)
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	edited := strings.Replace(string(text), "state: state", "state: "+filepath.Join(card, "state"), 1)
	edited = strings.Replace(edited, "  rules:\n", "  rules:\n    - {name: nothing_kept, for: 1s, clear_for: 1s}\n", 1)
	write(t, file, edited)
	says := func(out *screen, lines ...string) {
		t.Helper()
		eventually(t, 40*time.Second, strings.Join(lines, ", ")+" of "+out.String(), func() bool {
			body, _ := get(t, out.page()+"/metrics")
			for _, line := range lines {
				if !strings.Contains(body, line+"\n") {
					return false
				}
			}
			return true
		})
	}
	out, stop := start(t, "run", "--config", file)
	says(out, "ebbwatch_state_kept 1", "ebbwatch_record_kept 1", "ebbwatch_battery_volts 12.75")
	if code := stop(); code != 0 {
		t.Fatalf("exit code %d:\n%s", code, out)
	}

	remount(t, card, "ro")
	out, stop = start(t, "run", "--config", file)
	says(out, "ebbwatch_state_kept 0", "ebbwatch_record_kept 0", "ebbwatch_battery_volts 12.75")
	eventually(t, 40*time.Second, "a notice says so", func() bool { return len(hook.notices("nothing_kept")) == 1 })
	if page, _ := get(t, out.page()+"/"); !strings.Contains(page, "read-only file system") {
		t.Error("the page does not say why nothing is kept")
	}

	remount(t, card, "rw")
	says(out, "ebbwatch_state_kept 1")
	remount(t, card, "ro") // in mid-run
	says(out, "ebbwatch_battery_volts 12.75")
	remount(t, card, "rw")
	if code := stop(); code != 0 {
		t.Errorf("exit code %d:\n%s", code, out)
	}
}
