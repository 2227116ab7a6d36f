package watcher

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"ebbwatch/alert"
	"ebbwatch/alert/watch"
	"ebbwatch/cmd/internal/config"
	"ebbwatch/cmd/internal/core"
	"ebbwatch/cmd/internal/statedir"
	"ebbwatch/collector/nodestate"
)

// fleet answers in place of a network: each address is a node that may be dead, hang, and
// say what it likes.
type fleet struct {
	mu    sync.Mutex
	dead  map[string]bool
	hang  time.Duration // of a dead one, before it fails
	tell  func(target string) *nodestate.State
	asked map[string]int
	busy  int
	most  int
	burst map[int64]int // questions in each second
}

func newFleet() *fleet {
	f := &fleet{dead: map[string]bool{}, asked: map[string]int{}, burst: map[int64]int{}}
	f.tell = func(target string) *nodestate.State { return f.charged(target, 0.8) }
	return f
}

// charged is what the node at an address says of itself now, see [many].
func (f *fleet) charged(target string, soc float64) *nodestate.State {
	s := &nodestate.State{Site: "node" + strings.TrimPrefix(target, "http://10.0.0."), At: time.Now()}
	s.Battery.SoC = &soc
	return s
}

// speak changes what the nodes say from now on.
func (f *fleet) speak(tell func(target string) *nodestate.State) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.tell = tell
}

func (f *fleet) set(target string, dead bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.dead[target] = dead
}

func (f *fleet) ask(ctx context.Context, q question) answer {
	f.mu.Lock()
	f.asked[q.target]++
	f.busy++
	f.most = max(f.most, f.busy)
	if f.burst != nil {
		f.burst[time.Now().Unix()]++
	}
	dead, tell := f.dead[q.target], f.tell
	f.mu.Unlock()
	defer func() { f.mu.Lock(); f.busy--; f.mu.Unlock() }()
	if dead {
		select {
		case <-ctx.Done():
		case <-time.After(f.hang):
		}
		return answer{err: fmt.Errorf("no answer in time")}
	}
	if q.kind == askDashboard {
		return answer{up: true, fresh: true, age: time.Minute}
	}
	return answer{up: true, said: tell(q.target)}
}

// ear is a channel that remembers.
type ear struct {
	mu  sync.Mutex
	got []alert.Notice
}

// Send takes a notice.
func (e *ear) Send(_ context.Context, n alert.Notice) error {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.got = append(e.got, n)
	return nil
}

func (e *ear) titles() (list []string) {
	e.mu.Lock()
	defer e.mu.Unlock()
	for _, n := range e.got {
		list = append(list, string(n.Phase)+" "+n.Title)
	}
	return list
}

// many is a configuration with n nodes and one ear.
func many(n int, e *ear) *Config {
	c := &Config{Every: time.Minute, After: 12 * time.Minute, Notify: []config.Channel{{Name: "owner", Channel: e}}}
	c.Site.Name = "boathouse"
	for i := range n {
		c.Nodes = append(c.Nodes, Node{Name: fmt.Sprintf("node%d", i), State: fmt.Sprintf("http://10.0.0.%d", i)})
	}
	return c
}

func quiet() *slog.Logger { return slog.New(slog.DiscardHandler) }

// begin runs a watcher in the bubble; stop ends it.
func begin(t *testing.T, o Options) (w *Watcher, stop func()) {
	t.Helper()
	w = New(o)
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- w.Run(ctx) }()
	return w, func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	}
}

// TestTwoHundredNodes lives half a day with 200 nodes of which 20 die and return: one alarm
// each and its end, questions spread evenly and bounded, memory flat. It runs alone, since
// it measures the heap.
func TestTwoHundredNodes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f, e := newFleet(), &ear{}
		f.hang = time.Minute // the questions are cut off
		w, stop := begin(t, Options{Config: many(200, e), Log: quiet(), ask: f})
		time.Sleep(time.Hour)
		if got := e.titles(); len(got) != 0 {
			t.Errorf("all is well, and it says %q", got)
		}
		f.mu.Lock()
		for second, n := range f.burst {
			if n > 10 {
				t.Errorf("%d questions in second %d: they are not spread", n, second)
			}
		}
		f.burst = nil
		f.mu.Unlock()
		for i := range 20 {
			f.set(fmt.Sprintf("http://10.0.0.%d", i*10), true)
		}
		time.Sleep(3 * time.Hour)
		if n := len(e.titles()); n != 20 {
			t.Errorf("%d notices of 20 dead nodes: %q", n, e.titles())
		}
		before := heap()
		time.Sleep(8 * time.Hour)
		grown := heap() - before
		if grown > 1<<20 {
			t.Errorf("the memory grew by %d bytes in 8 hours", grown)
		}
		for i := range 20 {
			f.set(fmt.Sprintf("http://10.0.0.%d", i*10), false)
		}
		time.Sleep(time.Hour)
		if n := len(e.titles()); n != 40 {
			t.Errorf("%d notices when all are back: %q", n, e.titles()[20:])
		}
		if v := w.View(); len(v.Nodes) != 200 || v.alarms() != 0 {
			t.Errorf("%d nodes, %d alarms at the end", len(v.Nodes), v.alarms())
		}
		stop()
		least := 1 << 30
		for _, n := range f.asked {
			least = min(least, n)
		}
		t.Logf("most at once %d; asked least %d times in 13 h; the heap grew by %d bytes in 8 h", f.most, least, grown)
		if f.most > maxWorkers || least < 12*60 {
			t.Errorf("%d questions at once; the least asked was asked %d times in 13 h", f.most, least)
		}
	})
}

func heap() int {
	var m runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&m)
	return int(m.HeapAlloc)
}

// TestAllDead: nobody answers and every question hangs: the round takes longer, nothing
// piles up, and it is one alarm for the house, whose radio is dead.
func TestAllDead(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		f, e := newFleet(), &ear{}
		f.hang = time.Hour
		c := many(200, e)
		c.House.Radio = "10.20.0.1:80"
		_, stop := begin(t, Options{Config: c, Log: quiet(), ask: f})
		time.Sleep(30 * time.Minute)
		for _, n := range c.Nodes {
			f.set(n.State, true)
		}
		f.set("10.20.0.1:80", true)
		time.Sleep(2 * time.Hour)
		if got := e.titles(); len(got) != 1 || !strings.HasPrefix(got[0], "raised the house") {
			t.Errorf("it says %q", got)
		}
		stop()
		if f.most > maxWorkers {
			t.Errorf("%d questions at once", f.most)
		}
	})
}

// dark is what a node says that will be dark in two hours, and back at eight hours from now,
// at the latest 35.
func (f *fleet) dark(target string, now time.Time) *nodestate.State {
	s := f.charged(target, 0.08)
	p10, p50, back, late, chance := 1.0, 2.0, 8.0, 35.0, 0.9
	s.At = now
	s.Outlook = &nodestate.Outlook{At: now, BackHours: &back, BackLate: &late}
	s.Outlook.Cutoff.P10, s.Outlook.Cutoff.P50 = &p10, &p50
	s.Outlook.Cutoff.Within = map[string]nodestate.Num{"24h": &chance}
	return s
}

// TestDarkAsSaidOverARestart: what a node last said outlives the watcher. Dark as it said
// is no alarm, a late return is one.
func TestDarkAsSaidOverARestart(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		store, err := statedir.Open(t.TempDir())
		if err != nil {
			t.Fatal(err)
		}
		defer store.Close()
		f, e := newFleet(), &ear{}
		told := time.Now()
		f.tell = func(target string) *nodestate.State {
			if target == "http://10.0.0.0" {
				return f.dark(target, time.Now())
			}
			return f.charged(target, 0.8)
		}
		w, stop := begin(t, Options{Config: many(3, e), Store: store, Log: quiet(), ask: f})
		time.Sleep(time.Hour)
		f.set("http://10.0.0.0", true)
		time.Sleep(4 * time.Hour)
		if got := w.View().Nodes[0]; got.Cause != watch.ExpectedDark || len(e.titles()) != 0 {
			t.Fatalf("%s (%v), told %q", got.Cause, got.Against, e.titles())
		}
		stop()
		w, stop = begin(t, Options{Config: many(3, e), Store: store, Log: quiet(), ask: f})
		time.Sleep(10 * time.Minute)
		if got := w.View().Nodes[0]; got.Cause != watch.ExpectedDark || got.Stated == nil || got.Charge == nil || *got.Charge != 0.08 {
			t.Errorf("after the restart: %+v", got)
		}
		time.Sleep(26 * time.Hour)
		if got := e.titles(); len(got) != 0 {
			t.Errorf("it may still be dark, and it says %q", got)
		}
		// It was to be back nine hours after the start, at the latest 36.
		time.Sleep(time.Until(told.Add(37 * time.Hour)))
		if got := e.titles(); len(got) != 1 || got[0] != "raised node0: not back though it should be" {
			t.Errorf("overdue, and it says %q", got)
		}
		f.set("http://10.0.0.0", false)
		time.Sleep(30 * time.Minute)
		if got := e.titles(); len(got) != 2 || got[1] != "cleared node0: heard again" {
			t.Errorf("it is back, and it says %q", got)
		}
		stop()
	})
}

// TestSavedBeforeSent: a notice that was raised is in the saved state before it is
// sent.
func TestSavedBeforeSent(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		store, err := statedir.Open(t.TempDir())
		if err != nil {
			t.Fatal(err)
		}
		defer store.Close()
		c := many(2, nil)
		checked := false
		c.Notify[0].Channel = channelFunc(func(_ context.Context, n alert.Notice) error {
			var k kept
			if found := store.Load("watcher", &k).Found; !found || len(k.Outbox.Queues["owner"].Items) != 1 || k.Watch.Alerts.Tracks["watch/node1"].ID != n.ID {
				t.Errorf("sent, and not yet kept: %+v", k.Outbox)
			}
			checked = true
			return nil
		})
		f := newFleet()
		_, stop := begin(t, Options{Config: c, Store: store, Log: quiet(), ask: f})
		time.Sleep(20 * time.Minute)
		f.set("http://10.0.0.1", true)
		time.Sleep(time.Hour)
		stop()
		if !checked {
			t.Error("nothing was sent")
		}
	})
}

type channelFunc func(context.Context, alert.Notice) error

// Send calls the function.
func (f channelFunc) Send(ctx context.Context, n alert.Notice) error { return f(ctx, n) }

// TestWitnessesTellTheLink: gate says that it hears slipway, which is silent here.
func TestWitnessesTellTheLink(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		f, e := newFleet(), &ear{}
		c := many(2, e)
		c.Nodes[0].Called = "slipway"
		f.tell = func(target string) *nodestate.State {
			s := f.charged(target, 0.9)
			s.Peers = []nodestate.Peer{{Name: "slipway", Known: true, Up: true}, {Name: "stranger", Known: true}}
			return s
		}
		w, stop := begin(t, Options{Config: c, Log: quiet(), ask: f})
		time.Sleep(10 * time.Minute)
		f.set("http://10.0.0.0", true)
		time.Sleep(30 * time.Minute)
		if got := w.View().Nodes[0]; got.Cause != watch.Link || !strings.Contains(fmt.Sprint(got.For), "node1 hears it") {
			t.Errorf("%s: for %q, against %q", got.Cause, got.For, got.Against)
		}
		if got := e.titles(); len(got) != 1 || !strings.Contains(got[0], "probably the link") {
			t.Errorf("it says %q", got)
		}
		stop()
	})
}

// TestBoardPingIsNoPage: the page is dead and the board answers to a connection: the site
// has power and the way is open.
func TestBoardPingIsNoPage(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		f, e := newFleet(), &ear{}
		c := many(2, e)
		c.Nodes[0].Ping = "10.0.0.0:22"
		w, stop := begin(t, Options{Config: c, Log: quiet(), ask: f})
		time.Sleep(10 * time.Minute)
		f.set("http://10.0.0.0", true)
		time.Sleep(30 * time.Minute)
		if got := w.View().Nodes[0]; got.Cause != watch.Board {
			t.Errorf("%s: for %q, against %q", got.Cause, got.For, got.Against)
		}
		stop()
	})
}

// TestForgetsNodes: what is taken out of the configuration leaves no alarm behind.
func TestForgetsNodes(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		store, err := statedir.Open(t.TempDir())
		if err != nil {
			t.Fatal(err)
		}
		defer store.Close()
		f, e := newFleet(), &ear{}
		f.set("http://10.0.0.1", true)
		_, stop := begin(t, Options{Config: many(2, e), Store: store, Log: quiet(), ask: f})
		time.Sleep(time.Hour)
		stop()
		w, stop := begin(t, Options{Config: many(1, e), Store: store, Log: quiet(), ask: f})
		time.Sleep(2 * time.Minute)
		stop()
		data, err := json.Marshal(kept{Watch: w.state})
		if got := e.titles(); err != nil || strings.Contains(string(data), "node1") || !slices.Equal(got,
			[]string{"raised node1: silent, and nothing tells why", "cleared node1: no longer watched"}) {
			t.Errorf("%v, told %q; kept %s", err, got, data)
		}
	})
}

// TestRequests: maintenance is asked for as with a node, by a letter in the state folder.
func TestRequests(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		path := t.TempDir()
		store, err := statedir.Open(path)
		if err != nil {
			t.Fatal(err)
		}
		defer store.Close()
		leave := func(r core.Request) {
			if err := statedir.Leave(path, r); err != nil {
				t.Fatal(err)
			}
			time.Sleep(2 * time.Minute)
		}
		f, e := newFleet(), &ear{}
		w, stop := begin(t, Options{Config: many(2, e), Store: store, Log: quiet(), ask: f})
		time.Sleep(10 * time.Minute)
		leave(core.Request{Silence: 2 * time.Hour, Why: "tightening joints"})
		if s := w.View().Silence; s == nil || s.Why != "tightening joints" || time.Until(s.Until) < 110*time.Minute {
			t.Errorf("in maintenance the view says %+v", s)
		}
		f.set("http://10.0.0.1", true)
		time.Sleep(time.Hour)
		if got := e.titles(); len(got) != 0 {
			t.Errorf("in maintenance it says %q", got)
		}
		leave(core.Request{End: true})
		if got := e.titles(); len(got) != 1 || w.View().Silence != nil {
			t.Errorf("after maintenance it says %q", got)
		}
		leave(core.Request{NewBattery: true})
		if p := w.View().Problems; len(p) != 1 || !strings.Contains(p[0], "tell the node") {
			t.Errorf("problems %q", p)
		}
		stop()
	})
}
