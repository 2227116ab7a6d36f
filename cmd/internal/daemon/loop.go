package daemon

import (
	"context"
	"fmt"
	"log/slog"
	"maps"
	"math"
	"sync"
	"sync/atomic"
	"time"

	"ebbwatch/alert"
	"ebbwatch/alert/outbox"
	"ebbwatch/alert/sender"
	"ebbwatch/cmd/internal/core"
	"ebbwatch/cmd/internal/facts"
	"ebbwatch/cmd/internal/statedir"
	"ebbwatch/collector"
	"ebbwatch/collector/reading"
)

// LiveSource is a source that the loop polls.
type LiveSource struct {
	Name   string
	Every  time.Duration
	Source collector.Source
}

// Store keeps small state durably; see package statedir.
type Store interface {
	Save(name string, v any) error
	Load(name string, v any) statedir.Loaded
}

// Now gives the present moment on both clocks. Only the loop calls it.
type Now func() reading.Stamp

// Options are the parts of a loop.
type Options struct {
	Plan     core.Plan
	Sources  []LiveSource
	Channels []sender.Channel
	Store    Store // nil: nothing is kept
	Clock    Now
	Speed    float64       // simulated time against real time; 1 for a real node
	Tick     time.Duration // the longest time without a step, in simulated time
	Log      *slog.Logger
	Lines    func() []facts.LogLine
	Build    facts.Build
	// Progress is called after each step with what it came to.
	Progress func(*facts.Snapshot)
	// Extras gives facts that other parts learn, under the names that [facts.Table] gives
	// them. It is asked before each step and must be quick; nil: there are none.
	Extras func() map[string]float64
	// Troubles tells what is wrong with the parts beside the loop, for people; it must be
	// quick. Noticed is called for each notice that is sent. Both may be nil.
	Troubles func() []string
	// Recorded is true where the node was recorded before: this is not its very first start.
	Recorded bool
	Noticed  func(alert.Notice)
}

// saveEvery is how old the saved belief may get: a compromise between what a power cut
// costs and what the card bears.
const saveEvery = 30 * time.Minute

// saveFirst is the span between the first two saves after a start.
const saveFirst = time.Minute

// Loop is the one goroutine that owns all state, and those around it that poll and send.
type Loop struct {
	Options
	core      *core.Core
	post      *sender.Outgoing
	now       Now
	snapshot  atomic.Pointer[facts.Snapshot]
	reports   chan collector.Report
	weather   chan *reading.Forecast
	raised    uint64        // how many alarms were raised when they were kept last
	saved     time.Duration // when the memory was saved, on the monotonic clock
	saveNext  time.Duration // how old that may get
	powerSave atomic.Bool   // polls are thinned out; the pollers ask
	problems  map[string]string
	damaged   []string // what was wrong with the state at the start
}

// NewLoop takes up what the last run kept.
func NewLoop(o Options) *Loop {
	l := &Loop{
		Options: o, problems: map[string]string{},
		reports: make(chan collector.Report, 16), weather: make(chan *reading.Forecast, 1),
	}
	l.now = o.Clock
	var memory core.Memory
	found := l.load("node", &memory)
	lost := memory.Belief.Stranger() || !found && (o.Recorded || len(l.damaged) > 0)
	if lost && !math.IsNaN(o.Plan.Battery.InitialSoC) {
		l.Plan.Battery.InitialSoC = math.NaN() // it was said of a start long ago
		l.Log.Warn(beliefLost)
		l.damaged = append(l.damaged, beliefLost)
	}
	l.core = core.New(l.Plan)
	if found {
		l.core.Resume(memory, l.now())
	}
	var alerts Alerts
	l.load("alerts", &alerts)
	l.core.SetAlerts(alerts.Engine)
	l.raised = alerts.Engine.Raised
	l.post = sender.New(o.Channels, alerts.Outbox, o.Speed)
	l.saved = l.now().Mono
	l.keepAlerts() // a card that cannot be written is told of at once; what was not changed is not written
	return l
}

// beliefLost says why the charge is less sure than the configuration has it.
const beliefLost = "what was known of the battery is lost: its charge is found anew, initial_soc holds for the very first start only"

// Alerts is the part of the state that no warning may be lost from: it is saved as one.
type Alerts struct {
	Engine alert.State
	Outbox outbox.State
}

func (l *Loop) load(name string, v any) bool {
	if l.Store == nil {
		return false
	}
	loaded := l.Store.Load(name, v)
	for _, what := range loaded.Problems {
		l.Log.Warn("saved state was damaged; going on with what is whole", "err", what)
		l.damaged = append(l.damaged, what)
	}
	return loaded.Found
}

// Snapshot is the newest snapshot, or nil before the first.
func (l *Loop) Snapshot() *facts.Snapshot { return l.snapshot.Load() }

// Forecast hands over a new weather forecast. It may be called from any goroutine.
func (l *Loop) Forecast(ctx context.Context, f *reading.Forecast) {
	select {
	case l.weather <- f:
	case <-ctx.Done():
	}
}

// Run polls, thinks, sends and saves until the context ends, and then saves once more.
func (l *Loop) Run(ctx context.Context) error {
	work, stop := context.WithCancel(ctx)
	var workers sync.WaitGroup
	for _, s := range l.Sources {
		workers.Go(func() {
			collector.PollAsTold(work, s.Name, l.period(s.Every), s.Source, l.stampReports(), l.hand(work))
		})
	}
	l.post.Start(work, &workers)
	l.live(ctx)
	stop()
	err := l.keep()
	workers.Wait()
	return err
}

// real is a span of simulated time as the machine's clock counts it.
func (l *Loop) real(d time.Duration) time.Duration { return time.Duration(float64(d) / l.Speed) }

// stampReports leaves the stamp to the loop: only it may ask the clock.
func (l *Loop) stampReports() func() reading.Stamp {
	return func() reading.Stamp { return reading.Stamp{} }
}

// hand gives a report to the loop, unless the loop has ended.
func (l *Loop) hand(ctx context.Context) func(collector.Report) {
	return func(r collector.Report) {
		select {
		case l.reports <- r:
		case <-ctx.Done():
		}
	}
}

func (l *Loop) live(ctx context.Context) {
	tick := time.NewTicker(l.real(l.Tick))
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case r := <-l.reports:
			l.report(r)
		case r := <-l.post.Results():
			l.post.Done(r, l.now().Wall)
			l.keepAlerts()
			l.noteResult(r)
		case f := <-l.weather:
			l.core.Forecast(f)
		case <-tick.C:
			l.collect(l.now().Wall)
		}
		l.turn()
	}
}

func (l *Loop) report(r collector.Report) {
	r.At = l.now()
	l.noteSource(r)
	if err := l.core.Report(r); err != nil {
		l.Log.Error("a report was lost", "err", err)
	}
}

// external are the facts that other parts learn, and whether state is kept.
func (l *Loop) external() map[string]float64 {
	x := map[string]float64{}
	if l.Extras != nil {
		x = maps.Clone(l.Extras())
	}
	if l.Store != nil {
		x["state_kept"] = 1
		if l.problems["node"] != "" || l.problems["alerts"] != "" {
			x["state_kept"] = 0
		}
	}
	return x
}

// turn is one step of everything: think, keep what must not be lost, and only then send.
func (l *Loop) turn() {
	now := l.now()
	l.core.SetExternalFacts(l.external())
	l.core.SetChannels(ChannelFacts(l.post.Status()))
	notices := l.core.Step(now)
	l.savePower()
	for _, n := range notices {
		l.Log.Info("notice "+string(n.Phase), "rule", n.Rule, "title", n.Title)
		l.post.Put(n, now.Wall)
		if l.Noticed != nil {
			l.Noticed(n)
		}
	}
	due := l.post.Due(now.Wall)
	if raised := l.core.Alerts().Raised; len(notices) > 0 || len(due) > 0 || raised != l.raised || l.problems["alerts"] != "" { // what could not be kept is tried again at once
		l.raised = raised // also what is only shown may be muted, by a command that looks here
		l.keepAlerts()
	}
	l.post.HandOut(due)
	l.post.Standing(func() []alert.Notice { return l.core.Standing(now) })
	if l.saveDue(now) || l.problems["node"] != "" {
		l.saved = now.Mono
		if err := l.keep(); err != nil {
			l.Log.Debug("state was not saved", "err", err)
		}
	}
	l.publish(now)
}

func (l *Loop) publish(now reading.Stamp) {
	l.core.SetChannels(ChannelFacts(l.post.Status()))
	s := l.core.Snapshot(now)
	s.Build = l.Build
	if l.Lines != nil {
		s.Log = l.Lines()
	}
	s.Problems = append(s.Problems, l.damaged...)
	for _, what := range []string{"node", "alerts"} {
		if p := l.problems[what]; p != "" {
			s.Problems = append(s.Problems, p)
		}
	}
	if l.Troubles != nil {
		s.Problems = append(s.Problems, l.Troubles()...)
	}
	l.snapshot.Store(s)
	if l.Progress != nil {
		l.Progress(s)
	}
}

// keep saves everything.
func (l *Loop) keep() error {
	l.keepAlerts()
	return l.save("node", l.core.Memory())
}

func (l *Loop) keepAlerts() {
	if err := l.save("alerts", Alerts{l.core.Alerts(), l.post.State()}); err != nil {
		l.Log.Debug("alerts were not saved", "err", err)
	}
}

// save keeps one piece of state. A failure is told once, shown as a problem of the daemon
// and tried again with the next change; the work goes on meanwhile.
func (l *Loop) save(name string, v any) error {
	if l.Store == nil {
		return nil
	}
	err := l.Store.Save(name, v)
	switch {
	case err != nil && l.problems[name] == "":
		l.Log.Warn("state is not kept; going on without, will try again", "err", err)
		l.problems[name] = fmt.Sprintf("state is not kept: %v", err)
	case err == nil && l.problems[name] != "":
		l.Log.Info("state is kept again", "what", name)
		delete(l.problems, name)
	}
	return err
}

// noteSource logs when a source starts or stops answering, not each time.
func (l *Loop) noteSource(r collector.Report) {
	was, now := l.problems["source "+r.Source], ""
	if r.Err != nil {
		now = string(collector.KindOf(r.Err))
	}
	switch {
	case was == now:
	case now != "":
		l.Log.Warn("source fails; will keep trying", "source", r.Source, "err", r.Err)
	default:
		l.Log.Info("source answers again", "source", r.Source)
	}
	l.problems["source "+r.Source] = now
}

func (l *Loop) noteResult(r sender.Result) {
	was, now := l.problems["channel "+r.Delivery.Channel], ""
	if r.Err != nil {
		now = r.Err.Error()
	}
	switch {
	case was == now:
	case now != "":
		l.Log.Warn("notice not delivered; it is kept and tried again", "channel", r.Delivery.Channel, "err", r.Err)
	default:
		l.Log.Info("notices are delivered again", "channel", r.Delivery.Channel)
	}
	l.problems["channel "+r.Delivery.Channel] = now
}

// ChannelFacts is how the channels do, as the table of facts has it.
func ChannelFacts(all []sender.Status) []facts.Channel {
	out := make([]facts.Channel, 0, len(all))
	for _, s := range all {
		out = append(out, facts.Channel(s))
	}
	return out
}
