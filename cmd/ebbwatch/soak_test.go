package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"ebbwatch/alert"
	"ebbwatch/cmd/internal/cardtest"
	"ebbwatch/collector/nodestate"
	"ebbwatch/collector/sim"
)

// soak is a node, its owner's receiver and all that may go wrong between them.
type soak struct {
	soakPlan
	t        testing.TB
	dice     *rand.Rand
	dir      string
	node     soakNode
	epoch    time.Time
	live     *sim.Live
	addr     string
	unplug   context.CancelFunc // of the wire; nil while the port is gone
	gone     chan error
	silent   atomic.Bool
	hook     *receiver
	cut      atomic.Bool // the link: connections to the receiver break
	cmd      *exec.Cmd
	out      *screen
	kills    int
	emptied  time.Duration   // when the disk was last full no more
	forgets  int             // kills while the disk was full, or before anything could be kept again
	orphans  map[string]bool // alarms, by id, that such a kill made the daemon forget
	tmpfs    bool
	band     band
	compared time.Time
	delays   []float64      // from the end of the trouble until the owner heard, h
	met      map[string]int // how often each fault came
}

func newSoak(t testing.TB, p soakPlan) *soak {
	t.Helper()
	s := &soak{soakPlan: p, t: t, dice: rand.New(rand.NewPCG(p.seed, 20)), dir: t.TempDir(), met: map[string]int{}, orphans: map[string]bool{}}
	s.node = soakNodeOf(s.dice)
	t.Logf("seed %d: %s at %g times the speed of life, a poll each %s; a node of the %s sort", p.seed, p.length, p.speed, p.every, s.node.sort)
	s.live = sim.NewLive(sim.New(s.node.Spec), p.speed)
	s.hook = &receiver{}
	s.hook.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if s.cut.Load() {
			panic(http.ErrAbortHandler)
		}
		s.hook.ServeHTTP(w, r)
	}))
	t.Cleanup(s.hook.Close)
	state := filepath.Join(s.dir, "state")
	if err := os.Mkdir(state, 0o700); err != nil {
		t.Fatal(err)
	}
	s.insert(state)
	s.plugIn("127.0.0.1:0")
	t.Cleanup(s.unplugWire)
	write(t, filepath.Join(s.dir, "map.yaml"), string(s.node.MapYAML()))
	write(t, filepath.Join(s.dir, "ebbwatch.yaml"), fmt.Sprintf(`site: {name: boathouse, latitude: %g, longitude: %g, timezone: Europe/Amsterdam}
battery: {capacity_ah: %g, cutoff_volts: %g, initial_soc: 0.8}
array: {watts_peak: %g, tilt_deg: %g}
sources:
  - {name: charger, every: %s, modbus: {tcp: %q, unit: 1, map: map.yaml}}
alerts:
  quiet: "off"
  rules:
    - {name: heavy_load, when: load_watts > %g, for: 0s, clear_for: 0s, title: "heavy load", text: "something is plugged in", severity: critical, any_hour: true}
notify:
  - {name: owner, webhook: {url: %q}}
web: {listen: "127.0.0.1:0"}
state: state
`, s.node.Latitude, s.node.Longitude, s.node.Battery.LabelAh, s.node.Charger.CutoffVolts, s.node.Panel.WattsPeak, s.node.Panel.TiltDeg,
		p.every, s.addr, s.node.Load.DayWatts+s.node.plugged/2, s.hook.URL))
	s.epoch = time.Now()
	s.compared = s.epoch
	write(t, filepath.Join(s.dir, "epoch"), strconv.FormatInt(s.epoch.UnixNano(), 10))
	s.keepTime()
	s.run()
	return s
}

// insert puts the disk in that the state lies on.
func (s *soak) insert(state string) {
	s.t.Helper()
	if s.card != "" {
		cardtest.Attach(s.t, s.card, state)
		s.t.Cleanup(func() { cardtest.Detach(s.t, state) })
		return
	}
	if err := unix.Mount("tmpfs", state, "tmpfs", 0, "size=16m"); err != nil {
		s.t.Logf("the disk is never full: cannot mount one of its own: %v", err)
		return
	}
	s.tmpfs = true
	s.t.Cleanup(func() { _ = unix.Unmount(state, unix.MNT_DETACH) })
}

// keepTime lets the node live on by the daemon's own clock, also while nobody asks it.
func (s *soak) keepTime() {
	tick, end, done := time.NewTicker(20*time.Millisecond), make(chan struct{}), make(chan struct{})
	go func() {
		defer close(done)
		for {
			select {
			case <-end:
				return
			case <-tick.C:
				s.live.Look(func(site *sim.Site) { site.StepTo(soakNow(time.Since(s.epoch), s.speed)) })
			}
		}
	}()
	s.t.Cleanup(func() { tick.Stop(); close(end); <-done })
}

// at is how long the node has lived.
func (s *soak) at() time.Duration { return s.simulated(time.Since(s.epoch)) }

func (s *soak) simulated(real time.Duration) time.Duration {
	return time.Duration(float64(real) * s.speed)
}

// plugIn serves the node's controller; with port 0 for the first time.
func (s *soak) plugIn(addr string) {
	s.t.Helper()
	l, err := net.Listen("tcp", addr)
	if err != nil {
		s.t.Fatal(err)
	}
	s.addr = l.Addr().String()
	slave := s.live.Slave(1)
	real := slave.Registers
	slave.Registers = func(f byte, a, n int) ([]uint16, byte) {
		if s.silent.Load() {
			return nil, 0
		}
		return real(f, a, n)
	}
	ctx, cancel := context.WithCancel(context.Background())
	s.unplug, s.gone = cancel, make(chan error, 1)
	go func() { s.gone <- slave.ServeTCP(ctx, l) }()
}

func (s *soak) unplugWire() {
	if s.unplug != nil {
		s.unplug()
		<-s.gone
		s.unplug = nil
	}
}

func (s *soak) run() {
	s.t.Helper()
	self, err := os.Executable()
	if err != nil {
		s.t.Fatal(err)
	}
	s.cmd, s.out = exec.Command(self), &screen{}
	s.cmd.Env = append(os.Environ(), fmt.Sprintf("%s=%s@%g", asSoak, s.dir, s.speed))
	s.cmd.Stdout, s.cmd.Stderr = s.out, s.out
	if err := s.cmd.Start(); err != nil {
		s.t.Fatal(err)
	}
	cmd := s.cmd
	s.t.Cleanup(func() {
		_ = cmd.Process.Kill() // it may be dead already
		_ = cmd.Wait()
	})
	eventually(s.t, 60*time.Second, "the daemon runs", func() bool { return s.out.page() != "" })
}

func (s *soak) kill() {
	s.t.Helper()
	if err := s.cmd.Process.Signal(syscall.SIGKILL); err != nil {
		s.t.Fatalf("the daemon ended by itself: %v\n%s", err, s.out)
	}
	_ = s.cmd.Wait() // it was killed
	s.kills++
	if _, err := os.Stat(s.full()); err == nil || s.emptied > 0 && s.at()-s.emptied < 10*s.every {
		s.forgets++
		over := s.heard("", alert.Cleared)
		for id := range s.heard("", alert.Raised) {
			s.orphans[id] = s.orphans[id] || over[id] == ""
		}
	}
	s.run()
}

// keep leaves the state in a folder as a power cut would, for TestOldStateOpens.
func (s *soak) keep(folder string) {
	s.t.Helper()
	if folder == "" {
		return
	}
	_ = s.cmd.Process.Kill()
	_ = s.cmd.Wait() // it was killed
	if err := os.CopyFS(folder, os.DirFS(filepath.Join(s.dir, "state"))); err != nil {
		s.t.Error(err)
	}
	s.run()
}

func (s *soak) full() string { return filepath.Join(s.dir, "state", "full") }

// wait lets the node's time pass, and looks at the belief meanwhile.
func (s *soak) wait(simulated time.Duration) {
	s.t.Helper()
	for end := time.Now().Add(time.Duration(float64(simulated) / s.speed)); time.Now().Before(end); {
		<-time.After(min(time.Until(end), 100*time.Millisecond))
		s.compare()
	}
}

// heavy plugs a load into the node, or takes it out.
func (s *soak) heavy(on bool) {
	s.live.Look(func(site *sim.Site) {
		if on {
			site.Plug(s.node.plugged, false)
			return
		}
		site.Plug(0, false)
	})
}

// fault begins one kind of trouble, and returns what ends it.
func (s *soak) fault(kind string) (heal func()) {
	s.t.Helper()
	s.met[kind]++
	switch kind {
	case "port gone":
		s.unplugWire()
		return func() { s.plugIn(s.addr) }
	case "controller silent":
		s.silent.Store(true)
		return func() { s.silent.Store(false) }
	case "clock step":
		hours := s.dice.IntN(120) - 60
		write(s.t, filepath.Join(s.dir, "clock"), fmt.Sprintf("%dm", 30*hours))
		return func() { write(s.t, filepath.Join(s.dir, "clock"), "0s") }
	case "disk full":
		if !s.tmpfs {
			return func() {}
		}
		f, err := os.Create(s.full())
		if err != nil {
			s.t.Fatal(err)
		}
		_, _ = io.CopyN(f, endless{}, 64<<20) // until nothing more goes in
		_ = f.Close()
		return func() {
			_ = os.Remove(s.full())
			s.emptied = s.at()
		}
	case "link cut":
		s.cut.Store(true)
		return func() { s.cut.Store(false) }
	case "receiver down":
		s.hook.away.Store(true)
		return func() { s.hook.away.Store(false) }
	case "kill":
		s.kill()
		return func() {}
	}
	s.t.Fatalf("no fault %q", kind)
	return nil
}

type endless struct{}

func (endless) Read(p []byte) (int, error) { return len(p), nil }

func faults() []string {
	return []string{"port gone", "controller silent", "clock step", "disk full", "link cut", "receiver down", "kill"}
}

// spared tells whether the daemon is not killed now: half of a long soak, in one piece, is
// left for one long life, since only that can show a leak.
func (s *soak) spared() bool {
	return s.length >= 12*time.Hour && s.at() > s.length/4 && s.at() < s.length*3/4
}

// pick draws up to two kinds of trouble.
func (s *soak) pick() (kinds []string) {
	for range 2 {
		kind := faults()[s.dice.IntN(len(faults()))]
		if kind == "kill" && s.spared() || slices.Contains(kinds, kind) {
			continue
		}
		kinds = append(kinds, kind)
	}
	return kinds
}

// heard gives the alarms, by id, that the owner heard of in a phase; of all rules when rule is
// empty.
func (s *soak) heard(rule string, phase alert.Phase) map[string]string {
	ids := map[string]string{}
	for _, n := range s.hook.notices(rule) {
		if n.Phase == phase {
			ids[n.ID] = n.Rule
		}
	}
	return ids
}

// cycle is one round of trouble: something heavy is plugged in during two faults at once,
// the daemon may be killed at any moment, and once the faults are healed the owner must
// hear of it, and that it is over.
func (s *soak) cycle() {
	s.t.Helper()
	s.lit()
	raised, cleared := len(s.heard("heavy_load", alert.Raised)), len(s.heard("heavy_load", alert.Cleared))
	kinds := s.pick()
	var heals []func()
	at := s.dice.IntN(len(kinds) + 1)
	for i, kind := range kinds {
		if i == at {
			s.heavy(true)
		}
		heals = append(heals, s.fault(kind))
		s.wait(time.Duration(s.dice.IntN(20)) * time.Minute)
	}
	s.heavy(true)
	s.wait(time.Duration(s.dice.IntN(20)) * time.Minute)
	for _, heal := range heals {
		heal()
	}
	healed := s.at()
	if s.dice.IntN(4) == 0 && !s.spared() {
		s.kill()
	}
	what := strings.Join(kinds, " and ")
	s.eventually(what+": the owner hears of the load", func() bool { return len(s.heard("heavy_load", alert.Raised)) > raised })
	s.delays = append(s.delays, (s.at() - healed).Hours())
	// A daemon that was killed while its disk was full has forgotten the alarm: it must find
	// it again, or nobody would hear that it is over.
	s.eventually(what+": the daemon knows of the load", func() bool {
		body, _ := get(s.t, s.out.page()+"/metrics")
		return strings.Contains(body, `ebbwatch_alert_active{rule="heavy_load",severity="critical"} 1`)
	})
	s.heavy(false)
	s.eventually(what+": and that it is over", func() bool { return len(s.heard("heavy_load", alert.Cleared)) > cleared })
	if s.length >= 12*time.Hour {
		s.wait(time.Duration(s.dice.IntN(120)) * time.Minute) // nothing happens for a while
	}
}

// lit waits until the controller feeds the load: nobody can hear of one that it has cut off.
func (s *soak) lit() {
	s.t.Helper()
	s.eventually("the node has power", func() (on bool) {
		s.live.Look(func(site *sim.Site) { on = site.Truth().LoadOn && !site.Truth().Open })
		return on
	})
}

// eventually waits, in real time since the daemon's retries are, and half a day of the node's
// at least.
func (s *soak) eventually(what string, ok func() bool) {
	s.t.Helper()
	limit := max(2*time.Minute, time.Duration(float64(12*time.Hour)/s.speed))
	deadline, tick := time.After(limit), time.NewTicker(20*time.Millisecond)
	defer tick.Stop()
	for !ok() {
		select {
		case <-deadline:
			page, _ := get(s.t, s.out.page()+"/api/v1/state")
			s.t.Fatalf("after %s still not: %s\n%s\n%.4000s", s.at(), what, s.out, page)
		case <-tick.C:
			s.compare()
		}
	}
}

// state asks the daemon for it; false while it does not answer.
func (s *soak) state() (st nodestate.State, ok bool) {
	body, status := get(s.t, s.out.page()+"/api/v1/state")
	return st, status == http.StatusOK && json.Unmarshal([]byte(body), &st) == nil
}

// compare holds the belief against the truth, each ten minutes of the node's time.
func (s *soak) compare() {
	s.t.Helper()
	if s.simulated(time.Since(s.compared)) < 10*time.Minute {
		return
	}
	st, ok := s.state()
	low, known := st.Facts["battery_soc_low"]
	if !ok || !known {
		return
	}
	s.compared = time.Now()
	var truth sim.Truth
	s.live.Look(func(site *sim.Site) { truth = site.Truth() })
	high := st.Facts["battery_soc_high"]
	if out := s.band.look(truth.SoC, low, high); out > 0 {
		s.t.Logf("%5.1f h: the charge is %.3f, believed between %.3f and %.3f", s.at().Hours(), truth.SoC, low, high)
	}
}

// A node in trouble for a while; see [toldSoak].
func TestSoak(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("skipped: needs time, which -short has not")
	}
	s := newSoak(t, toldSoak(t))
	s.eventually("the charge is known", func() bool {
		body, _ := get(t, s.out.page()+"/metrics")
		return strings.Contains(body, "ebbwatch_battery_soc_ratio ")
	})
	cycles := 0
	for ; s.at() < s.length || cycles < 3; cycles++ {
		s.cycle()
	}
	s.wait(30 * time.Minute) // connections that are idle may close
	t.Logf("%d rounds with %v; %d kills more, %d of all while the disk was full", cycles, s.met, s.kills-s.met["kill"], s.forgets)
	t.Logf("the owner heard %.2f h after the trouble at the latest", longest(s.delays))
	s.keep(os.Getenv("EBBWATCH_KEEP"))
	s.judgeWarnings()
	s.judgeBelief()
	s.judgeLeaks()
}
