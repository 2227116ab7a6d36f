package watcher

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"ebbwatch/alert"
	"ebbwatch/alert/outbox"
	"ebbwatch/alert/sender"
	"ebbwatch/alert/watch"
	"ebbwatch/cmd/internal/core"
	"ebbwatch/cmd/internal/daemon"
	"ebbwatch/cmd/internal/facts"
	"ebbwatch/cmd/internal/statedir"
)

// Options are the parts of a watcher.
type Options struct {
	Config *Config
	Store  daemon.Store
	Log    *slog.Logger
	// Progress is called after each step of the loop; ready once a look was taken.
	Progress func(ready bool)
	ask      asker // nil: over the network
}

// kept is what survives a restart: the alarms and what each node last said, with the
// notices that wait.
type kept struct {
	Watch  watch.State
	Outbox outbox.State
}

// KeptAlarms are the alarms that the watcher of a state folder kept last.
func KeptAlarms(state string) (alert.State, error) {
	var k kept
	err := statedir.Peek(state, "watcher", &k)
	return k.Watch.Alerts, err
}

// Watcher is the one goroutine that owns all state, and those around it that ask and send.
type Watcher struct {
	Options
	watch    watch.Watch
	state    watch.State
	report   watch.Report // of the last look
	out      *sender.Outgoing
	tracks   map[string]*track // by key, see wayKey
	looked   time.Time
	saved    time.Time
	silent   string // which nodes were silent when it was saved
	problems map[string]string
	outcomes chan outcome
	view     atomic.Pointer[View]
}

// saveEvery is how old what the nodes last said may get in the saved state while all is
// well. A silence that begins is saved at once.
const saveEvery = 10 * time.Minute

// New takes up what the last run kept.
func New(o Options) *Watcher {
	if o.ask == nil {
		o.ask = newNetwork(o.Config.Access)
	}
	w := &Watcher{
		Options: o, watch: watch.Watch{Dwell: o.Config.After, Quiet: o.Config.Quiet},
		tracks: map[string]*track{}, problems: map[string]string{}, outcomes: make(chan outcome, maxWorkers),
	}
	var k kept
	if o.Store != nil {
		for _, what := range o.Store.Load("watcher", &k).Problems {
			o.Log.Warn("saved state was damaged; going on with what is whole", "err", what)
			w.problems["state was damaged"] = what
		}
	}
	w.state = k.Watch
	w.forget()
	var live []sender.Channel
	for _, c := range o.Config.Notify {
		live = append(live, sender.Channel{Channel: c.Takes(), Sender: c.Channel})
		w.watch.Escalate = w.watch.Escalate || c.Second
	}
	w.out = sender.New(live, k.Outbox, 1)
	return w
}

// forget drops what was kept of nodes that are not in the configuration any more. Their
// alarms end with the first look.
func (w *Watcher) forget() {
	maps.DeleteFunc(w.state.Nodes, func(name string, _ watch.Past) bool {
		return !slices.ContainsFunc(w.Config.Nodes, func(n Node) bool { return n.Name == name })
	})
}

// View is the newest view, or nil before the first.
func (w *Watcher) View() *View { return w.view.Load() }

// Run asks, judges, sends and saves until the context ends, and then saves once more.
func (w *Watcher) Run(ctx context.Context) error {
	list, echo := ways(w.Config)
	sources, err := echoes(echo)
	if err != nil {
		return err
	}
	for _, x := range list {
		w.tracks[wayKey(x.of, x.what)] = &track{}
	}
	for key := range echo {
		w.tracks[key] = &track{}
	}
	work, stop := context.WithCancel(ctx)
	var workers sync.WaitGroup
	p := poller{every: w.Config.Every, ways: list, ask: w.ask, out: w.outcomes}
	p.run(work, &workers)
	for i, s := range sources {
		workers.Go(func() { p.runEcho(work, fmt.Sprintf("echo %d", i), s) })
	}
	w.out.Start(work, &workers)
	w.live(ctx)
	stop()
	err = w.save(time.Now())
	workers.Wait()
	return err
}

// live is the loop. A look is taken once a period: often enough for the dwell of an alarm,
// seldom enough for two hundred nodes on a router.
func (w *Watcher) live(ctx context.Context) {
	look := time.NewTicker(w.Config.Every)
	mail := time.NewTicker(min(w.Config.Every, 5*time.Second))
	defer look.Stop()
	defer mail.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case o := <-w.outcomes:
			w.take(o)
		case r := <-w.out.Results():
			now := time.Now()
			w.out.Done(r, now)
			w.note("channel "+r.Delivery.Channel, r.Err)
			_ = w.save(now) // told by save itself
			w.dispatch(now)
		case <-look.C:
			w.look(time.Now())
		case <-mail.C:
			w.collect(time.Now())
			w.dispatch(time.Now())
		}
		if w.Progress != nil {
			w.Progress(w.View() != nil)
		}
	}
}

// collect takes the requests that the owner left in the state folder.
func (w *Watcher) collect(now time.Time) {
	taken, err := daemon.Collect(w.Store, func(r core.Request) error { return w.request(r, now) })
	if err != nil || taken > 0 {
		w.note("the last request", err)
	}
	if taken > 0 {
		w.Log.Info("the owner's requests were taken", "count", taken)
		_ = w.save(now) // told by save itself
	}
}

// request does what the owner asked, as far as a watcher can.
func (w *Watcher) request(r core.Request, now time.Time) error {
	alerts, err := r.Alerts(w.state.Alerts, now)
	if w.state.Alerts = alerts; r.NewBattery {
		err = errors.Join(err, errors.New("a watcher knows no batteries: tell the node"))
	}
	return err
}

// look judges what is known now, keeps what must not be lost, and only then sends.
func (w *Watcher) look(now time.Time) {
	scene := w.scene(now)
	state, report, notices := w.watch.Step(w.state, scene)
	w.state, w.report, w.looked = state, report, now
	for _, n := range notices {
		w.Log.Info("notice "+string(n.Phase), "node", n.Site, "title", n.Title)
		w.out.Put(n, now)
	}
	silent := silentOf(state)
	if len(notices) > 0 || silent != w.silent || now.Sub(w.saved) >= saveEvery {
		_ = w.save(now) // told by save itself
		w.silent = silent
	}
	w.dispatch(now)
	w.view.Store(w.viewOf(now, scene, report))
}

func silentOf(s watch.State) string {
	var names []string
	for name, past := range s.Nodes {
		if !past.Silent.IsZero() {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	return fmt.Sprint(names)
}

// dispatch hands out what is due, once that is kept.
func (w *Watcher) dispatch(now time.Time) {
	if due := w.out.Due(now); len(due) > 0 {
		_ = w.save(now) // told by save itself
		w.out.HandOut(due)
	}
	if !w.looked.IsZero() {
		w.out.Standing(func() []alert.Notice { return w.watch.Standing(w.state, w.report, now, w.Config.Site.Zone) })
	}
}

// save keeps everything. A failure is told once, shown, and tried again.
func (w *Watcher) save(now time.Time) error {
	if w.Store == nil {
		return nil
	}
	err := w.Store.Save("watcher", kept{w.state, w.out.State()})
	if w.note("state", err); err == nil {
		w.saved = now
	}
	return err
}

// note logs and shows what begins to fail and what works again, not each time.
func (w *Watcher) note(what string, err error) {
	was, now := w.problems[what], ""
	if err != nil {
		now = err.Error()
	}
	switch {
	case was == now:
	case now == "":
		w.Log.Info("works again", "what", what)
		delete(w.problems, what)
	default:
		w.Log.Warn("fails; will keep trying", "what", what, "err", now)
		w.problems[what] = now
	}
}

// Snapshot is the watcher in the terms of the heartbeat: the loop steps, the nodes stand
// for instruments, and the channels are as they are.
func (w *Watcher) Snapshot() *facts.Snapshot {
	v := w.View()
	if v == nil {
		return nil
	}
	s := &facts.Snapshot{Site: v.Site, Channels: v.Channels, Ready: true}
	s.At.Wall, s.At.Mono = v.At, time.Duration(v.At.UnixNano())
	return s
}
