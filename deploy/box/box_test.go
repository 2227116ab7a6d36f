package box_test

import (
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"ebbwatch/collector/needtest"
)

// A boot takes some half a minute in software, more where the machine has other work.
const bootLimit = 5 * time.Minute

// alarms are the rules of the node in the box: the register, and its values that raise and end it.
func alarms() []struct {
	rule         string
	register     int
	raises, ends int
} {
	return []struct {
		rule         string
		register     int
		raises, ends int
	}{
		{"box_pv", 19, 12000, 1800}, {"box_load", 20, 6000, 150},
		{"box_cold", 18, -300, 180}, {"box_heat", 21, 1000, 250},
	}
}

// disks makes the disks of the board, or takes those that $EBBWATCH_BOX_DISKS names.
func disks(t *testing.T) string {
	t.Helper()
	if made := os.Getenv("EBBWATCH_BOX_DISKS"); made != "" {
		return made
	}
	for _, name := range []string{"debootstrap", "mke2fs", "git"} {
		needtest.Program(t, name)
	}
	out := t.TempDir()
	run := func(name string, args ...string) {
		t.Helper()
		if said, err := exec.Command(name, args...).CombinedOutput(); err != nil {
			t.Fatalf("%s: %v\n%s", name, err, said)
		}
	}
	run("../package/build", out, "amd64")
	debs, err := filepath.Glob(filepath.Join(out, "*.deb"))
	if err != nil || len(debs) != 1 {
		t.Fatalf("packages: %v, %v", debs, err)
	}
	run("./image", debs[0], out)
	return out
}

// The board boots to a healthy daemon, and then loses its power at random instants while alarms
// rise; after each cut it is up without a hand, still believes, and no alarm is lost. EBBWATCH_BOX is how many cuts; EBBWATCH_BOX_SEED repeats a run.
func TestBox(t *testing.T) {
	cuts, err := strconv.Atoi(os.Getenv("EBBWATCH_BOX"))
	if err != nil {
		t.Skip("boots a board in software: EBBWATCH_BOX=3 for three cuts of its power, in some five minutes")
	}
	life := newLife(t)
	life.boot("rw")
	life.first()
	life.learn()
	for n := range cuts {
		life.cut(n + 1)
	}
	t.Logf("%d cuts: %d alarms raised, %d told, %d of them under more than one id, %d told more than once; boots took %.0f to %.0f s",
		cuts, life.raised, life.told, life.renamed, life.repeated, life.shortest.Seconds(), life.longest.Seconds())
}

// newLife is a board with its slave and its owner, from a seed that is printed.
func newLife(t *testing.T) *life {
	t.Helper()
	for _, name := range []string{"qemu-system-x86_64", "socat"} {
		needtest.Program(t, name)
	}
	seed := uint64(time.Now().UnixNano())
	if s, err := strconv.ParseUint(os.Getenv("EBBWATCH_BOX_SEED"), 10, 64); err == nil {
		seed = s
	}
	t.Logf("EBBWATCH_BOX_SEED=%d repeats this", seed)
	r := newReceiver(t)
	m, s := newMachine(t, disks(t), r)
	return &life{t: t, m: m, slave: s, owner: r, rng: rand.New(rand.NewPCG(seed, seed))}
}

// life is one board's, with what was seen of it.
type life struct {
	t     *testing.T
	m     *machine
	slave *slave
	owner *receiver
	rng   *rand.Rand

	raised, told, renamed, repeated int
	shortest, longest               time.Duration
}

// boot gives the board power and waits until its daemon is well, without a hand.
func (l *life) boot(root string) state {
	l.t.Helper()
	l.m.kernel = root
	began := time.Now()
	l.m.power()
	s := l.m.until(bootLimit, "the daemon is well", state.well)
	took := time.Since(began)
	if l.shortest == 0 || took < l.shortest {
		l.shortest = took
	}
	l.longest = max(l.longest, took)
	return s
}

// first looks at a board that just came up: its sandbox, its watchdog, its clock, its page.
func (l *life) first() {
	l.t.Helper()
	if s := l.m.until(time.Minute, "an answer", state.well); s.ClockTrusted {
		l.t.Error("a clock that nobody set is trusted")
	}
	for path, want := range map[string][]string{
		"/":        {"slipway"},
		"/metrics": {"ebbwatch_battery_volts 13.1", "ebbwatch_battery_soc_ratio ", `ebbwatch_source_up{source="charger"} 1`, "ebbwatch_clock_trusted 0"},
	} {
		body, err := l.m.get(path)
		if err != nil {
			l.t.Error(err)
		}
		for _, w := range want {
			if !strings.Contains(body, w) {
				l.t.Errorf("%s does not say %q:\n%s", path, w, body)
			}
		}
	}
	status := l.m.must("cat /proc/$(systemctl show ebbwatch -p MainPID --value)/status")
	for _, want := range []string{"NoNewPrivs:\t1", "Seccomp:\t2", "CapEff:\t0000000000000000"} {
		if !strings.Contains(status, want) {
			l.t.Errorf("the daemon's sandbox lacks %q:\n%s", want, status)
		}
	}
	if strings.Contains(status, "Uid:\t0\t") {
		l.t.Error("the daemon runs as root")
	}
	if dog := l.m.must("cat /sys/class/watchdog/watchdog0/state"); strings.TrimSpace(dog) != "active" {
		l.t.Errorf("the watchdog is %s", dog)
	}
}

// learn lets the daemon save what it believes and the rows that it holds, by a stop in good order;
// tells it the time, as a time service would, by which the rows find their place; and then tells the
// configuration another charge at the start: a belief that a cut forgets comes back as that one, and
// is seen. After the next cut the clock is wrong again.
func (l *life) learn() {
	l.t.Helper()
	l.m.must("systemctl restart ebbwatch")
	l.m.until(2*time.Minute, "the daemon is well again", state.well)
	// adjtimex(2): its modes are ADJ_STATUS, ADJ_MAXERROR and ADJ_ESTERROR, and the status no longer says STA_UNSYNC.
	l.m.must(fmt.Sprintf(`date -s @%d && perl -e '$b=pack("LLqqqqlx4",0x1c,0,0,0,1000,1000,0).("\0"x160); syscall(159,$b)>=0 or die $!'`, time.Now().Unix()))
	l.m.until(2*time.Minute, "the clock is trusted", func(s state) bool { return s.well() && s.ClockTrusted })
	l.m.must("systemctl restart ebbwatch")
	l.m.until(2*time.Minute, "the daemon is well once more", func(s state) bool { return s.well() && s.ClockTrusted })
	if n := l.rows(); n == 0 {
		l.t.Error("a stop in good order kept no row")
	}
	l.m.must("sed -i 's/initial_soc: 0.6/initial_soc: 0.95/' /etc/ebbwatch/ebbwatch.yaml && sync")
}

// rows is how many rows the record holds on the card.
func (l *life) rows() int {
	l.t.Helper()
	said := l.m.must("ebbwatch history export --from 1970-01-01 --to 2099-12-31 2>/tmp/export.err | wc -l; cat /tmp/export.err >&2")
	n, err := strconv.Atoi(strings.Fields(said)[0])
	if err != nil {
		l.t.Fatalf("no number of rows: %s", said)
	}
	return n - 1 // the first line is the header
}

// cut raises some alarms, takes the power at a random instant, and sees what became of them.
func (l *life) cut(n int) {
	l.t.Helper()
	before := l.m.until(time.Minute, "the daemon is well", state.well)
	rows := l.rows()
	seen, _ := l.owner.count(0, "", "")
	l.owner.away.Store(l.rng.IntN(2) == 0)
	chosen := l.rng.Perm(len(alarms()))[:1+l.rng.IntN(len(alarms()))]
	for _, i := range chosen {
		l.slave.set(alarms()[i].register, alarms()[i].raises)
		<-time.After(time.Duration(l.rng.IntN(1500)) * time.Millisecond)
	}
	<-time.After(time.Duration(l.rng.IntN(4000)) * time.Millisecond)
	l.m.cut()
	l.owner.away.Store(false)
	root := []string{"rw", "ro"}[l.rng.IntN(2)]
	after := l.boot(root)
	l.compare(n, before, after)
	for _, i := range chosen {
		l.settle(n, seen, i)
	}
	kept := l.rows()
	if kept < rows {
		l.t.Errorf("cut %d: of %d rows that were on the card %d are left", n, rows, kept)
	}
	l.t.Logf("cut %d: root %s, %d alarms, %d rows before and %d after", n, root, len(chosen), rows, kept)
}

// compare holds the belief after a cut against that before it.
func (l *life) compare(n int, before, after state) {
	l.t.Helper()
	b, a := before.Battery, after.Battery
	if *a.Low > *b.High || *a.High < *b.Low {
		l.t.Errorf("cut %d: the charge was in %.2f–%.2f and is in %.2f–%.2f", n, *b.Low, *b.High, *a.Low, *a.High)
	}
	if wider := (*a.High - *a.Low) - (*b.High - *b.Low); wider > 0.15 {
		l.t.Errorf("cut %d: the belief was forgotten: its band is wider by %.2f", n, wider)
	}
	for _, p := range after.Problems {
		if strings.Contains(p, "damaged") {
			l.t.Errorf("cut %d: %s", n, p)
		}
	}
}

// settle waits until the alarm reached the owner, ends it, and waits until it is over.
func (l *life) settle(n, seen, i int) {
	l.t.Helper()
	a := alarms()[i]
	l.raised++
	var ids map[string]int
	l.m.until(2*time.Minute, "the owner hears of "+a.rule, func(state) bool {
		_, ids = l.owner.count(seen, a.rule, "raised")
		return len(ids) > 0
	})
	l.told++
	if len(ids) > 1 {
		l.renamed++
	}
	for id, times := range ids {
		if times > 1 {
			l.repeated++
			l.t.Logf("cut %d: %s was told %d times", n, id, times)
		}
	}
	l.slave.set(a.register, a.ends)
	l.m.until(2*time.Minute, a.rule+" is over", func(s state) bool {
		for _, alarm := range s.Alarms {
			if alarm.Rule == a.rule {
				return false
			}
		}
		_, ended := l.owner.count(seen, a.rule, "cleared")
		return len(ended) > 0
	})
}
