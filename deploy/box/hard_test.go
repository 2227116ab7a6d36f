package box_test

import (
	"os"
	"strings"
	"testing"
	"time"
)

// What a board meets beside cuts: an adapter that goes away, a card that fills or can no longer be
// written, a new program that does not work, a kernel that hangs. The daemon goes on, tells its
// owner, and is well again when it can be. EBBWATCH_BOX_HARD=1 asks for it.
func TestBoxHard(t *testing.T) {
	if os.Getenv("EBBWATCH_BOX_HARD") == "" {
		t.Skip("boots a board in software, four times: EBBWATCH_BOX_HARD=1")
	}
	l := newLife(t)
	l.boot("rw")
	for _, one := range []struct {
		name string
		run  func()
	}{
		{"an update that does not work", l.badUpdate},
		{"the card fills", l.cardFills},
		{"the card goes read-only", l.cardGoesReadOnly},
		{"the kernel hangs", l.kernelHangs},
		{"an adapter vanishes", l.adapterVanishes},
	} {
		began := time.Now()
		one.run()
		t.Logf("%s: %.0f s", one.name, time.Since(began).Seconds())
	}
}

func down(s state) bool { return len(s.Sources) == 1 && !s.Sources[0].Up }

// adapterVanishes takes the driver from the port under the daemon, and gives it back.
func (l *life) adapterVanishes() {
	l.t.Helper()
	const port = "/sys/bus/pnp/drivers/serial/"
	// The device of the port is the nearest folder above ttyS1 that belongs to that driver.
	id := strings.TrimSpace(l.m.must("readlink -f /sys/class/tty/ttyS1 | grep -o '[0-9a-f][0-9a-f]:[0-9a-f][0-9a-f]/' | tail -n 1 | tr -d /"))
	l.m.must("echo " + id + " >" + port + "unbind")
	l.m.until(2*time.Minute, "the charger is told to be silent", down)
	l.m.must("echo " + id + " >" + port + "bind")
	l.m.until(3*time.Minute, "the charger is read again", state.well)
	l.sameDaemon()
}

// badUpdate puts in a program that passes check and ends when it runs: the old one comes back.
func (l *life) badUpdate() {
	l.t.Helper()
	l.m.must(`cp /usr/bin/ebbwatch /root/good && printf '#!/bin/sh\n[ "$1" != run ] || exit 1\nexec /root/good "$@"\n' >/root/bad && chmod 755 /root/bad`)
	before := l.m.must("sha256sum </usr/bin/ebbwatch")
	out, err := l.m.do("EBBWATCH_WAIT=30 EBBWATCH_TRIAL=10 ebbwatch-update --force /root/bad")
	if err == nil || !strings.Contains(out, "the old one is back") {
		l.t.Errorf("the update: %v\n%s", err, out)
	}
	if after := l.m.must("sha256sum </usr/bin/ebbwatch"); after != before {
		l.t.Error("the old program is not back")
	}
	l.m.until(2*time.Minute, "the old daemon is well", state.well)
}

// cardFills leaves not one byte on the card: an alarm is told all the same.
func (l *life) cardFills() {
	l.t.Helper()
	l.m.must("dd if=/dev/zero of=/card/filler bs=64k 2>/dev/null; dd if=/dev/zero of=/card/filler2 bs=1k 2>/dev/null; sync; df /card | tail -1")
	l.alarmIsTold(0)
	l.m.must("rm /card/filler /card/filler2; sync")
	l.sameDaemon()
}

// cardGoesReadOnly is what ext4 does after an error of the card; the power comes and goes then.
func (l *life) cardGoesReadOnly() {
	l.t.Helper()
	l.m.must("echo u >/proc/sysrq-trigger; sleep 2; grep ' /card ' /proc/mounts | grep -q ' ro'")
	l.alarmIsTold(1)
	s := l.m.until(2*time.Minute, "the page says that the card cannot be written", func(s state) bool { return len(s.Problems) > 0 })
	l.t.Logf("told of the card: %q", s.Problems)
	l.sameDaemon()
	l.m.cut()
	l.boot("rw")
}

// kernelHangs stops the kernel for good: the watchdog starts the board anew.
func (l *life) kernelHangs() {
	l.t.Helper()
	_, _ = l.m.shell.Write([]byte("echo c >/proc/sysrq-trigger\n")) // nobody answers
	for end := time.Now().Add(time.Minute); time.Now().Before(end); <-time.After(time.Second) {
		if _, err := l.m.state(); err != nil {
			break
		}
	}
	l.m.until(bootLimit, "the board is up by itself", state.well)
}

// alarmIsTold raises one of the alarms, sees it told, and ends it.
func (l *life) alarmIsTold(i int) {
	l.t.Helper()
	seen, _ := l.owner.count(0, "", "")
	l.slave.set(alarms()[i].register, alarms()[i].raises)
	l.settle(0, seen, i)
}

// sameDaemon: it went on, and was not started anew.
func (l *life) sameDaemon() {
	l.t.Helper()
	if n := strings.TrimSpace(l.m.must("systemctl show ebbwatch -p NRestarts --value")); n != "0" {
		l.t.Errorf("the daemon was started anew %s times", n)
	}
}
