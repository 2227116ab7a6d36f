package daemon

import (
	"context"
	"errors"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"ebbwatch/alert"
	"ebbwatch/alert/outbox"
	"ebbwatch/alert/sender"
	"ebbwatch/cmd/internal/core"
	"ebbwatch/cmd/internal/statedir"
	"ebbwatch/collector"
	"ebbwatch/collector/reading"
	"ebbwatch/estimator/battery"
	"ebbwatch/estimator/outlook"
)

// memStore is a state folder in memory that can be told to fail.
type memStore struct {
	mu     sync.Mutex
	saved  map[string]any
	order  []string
	broken error
	damage []string // what is told of a state that is not found
}

func (m *memStore) Save(name string, v any) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.broken != nil {
		return m.broken
	}
	if m.saved == nil {
		m.saved = map[string]any{}
	}
	m.saved[name], m.order = v, append(m.order, name)
	return nil
}

func (m *memStore) Load(name string, v any) statedir.Loaded {
	m.mu.Lock()
	defer m.mu.Unlock()
	saved, ok := m.saved[name]
	if !ok {
		return statedir.Loaded{Problems: m.damage}
	}
	switch into := v.(type) {
	case *core.Memory:
		*into = saved.(core.Memory)
	case *Alerts:
		*into = saved.(Alerts)
	}
	return statedir.Loaded{Found: true}
}

// fixed is a source that always says the same.
type fixed struct {
	values []reading.Value
	err    error
}

func (f fixed) Read(context.Context) ([]reading.Value, error) { return f.values, f.err }

// inbox is a channel that keeps what it gets, after failing for a while.
type inbox struct {
	mu    sync.Mutex
	fails int
	got   []alert.Notice
	store *memStore
	early int // notices that came before they were saved
}

func (b *inbox) Send(_ context.Context, n alert.Notice) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.fails > 0 {
		b.fails--
		return errors.New("cannot send: the receiver is away")
	}
	if b.store != nil && !b.savedBefore(n) {
		b.early++
	}
	b.got = append(b.got, n)
	return nil
}

func (b *inbox) savedBefore(n alert.Notice) bool {
	b.store.mu.Lock()
	defer b.store.mu.Unlock()
	saved, _ := b.store.saved["alerts"].(Alerts)
	return slices.ContainsFunc(saved.Outbox.Queues["owner"].Items, func(it outbox.Item) bool {
		return it.Notice.ID == n.ID && it.Notice.Phase == n.Phase
	})
}

// coldRule is raised below 5 °C at once.
func coldRule() alert.Rule {
	return alert.Rule{Name: "cold", Summary: "the battery is cold", Rungs: []alert.Rung{{
		Severity: alert.Warning, When: alert.MustExpr("battery_celsius < 5"), Title: "cold", Text: "cold",
	}}}
}

func testOptions(store Store, source collector.Source, channels ...sender.Channel) Options {
	p := core.Plan{
		Site: "slipway", Zone: time.UTC,
		Battery:      battery.Battery{CapacityAh: 80, Cells: 4, Reserve: 0.2, CutoffVolts: 11.6, InitialSoC: 0.7},
		Array:        outlook.Site{Latitude: 52.75, Longitude: 6.57, WattsPeak: 240, TiltDeg: 60, AzimuthDeg: 180, MPPT: true, Zone: time.UTC},
		Sources:      []core.SourcePlan{{Name: "charger", Kind: "modbus", Every: 10 * time.Second}},
		Engine:       alert.Engine{Rules: []alert.Rule{coldRule()}, Site: "slipway", Zone: time.UTC},
		OutlookEvery: 15 * time.Minute, Seed: 1,
	}
	began := time.Now()
	return Options{
		Plan: p, Store: store, Channels: channels, Speed: 1, Tick: 10 * time.Second,
		Sources: []LiveSource{{Name: "charger", Every: 10 * time.Second, Source: source}},
		Log:     slog.New(slog.DiscardHandler),
		Clock: func() reading.Stamp {
			return reading.Stamp{Mono: time.Since(began), Wall: time.Now(), Trusted: true}
		},
	}
}

func owner(c alert.Channel) sender.Channel {
	return sender.Channel{Channel: outbox.Channel{Name: "owner"}, Sender: c}
}

func values(celsius float64) []reading.Value {
	return []reading.Value{
		{Quantity: reading.BatteryVolts, X: 13.1}, {Quantity: reading.BatteryAmps, X: -1.5},
		{Quantity: reading.BatteryCelsius, X: celsius},
	}
}

// liveFor runs a loop inside a bubble for a time.
func liveFor(t *testing.T, o Options, d time.Duration) *Loop {
	t.Helper()
	l := NewLoop(o)
	ctx, cancel := context.WithTimeout(t.Context(), d)
	defer cancel()
	if err := l.Run(ctx); err != nil {
		t.Errorf("the loop ended with %v", err)
	}
	return l
}

func TestWarningIsSavedThenSentUntilTaken(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		store := &memStore{}
		box := &inbox{fails: 3, store: store}
		liveFor(t, testOptions(store, fixed{values: values(3)}, owner(box)), time.Hour)
		if len(box.got) != 1 || box.got[0].Phase != alert.Raised {
			t.Fatalf("got %d notices, want one raise", len(box.got))
		}
		if box.early != 0 {
			t.Error("a notice was sent before it was saved")
		}
		if store.order[len(store.order)-1] != "node" {
			t.Error("the belief was not saved at the end")
		}
	})
}

func TestUnsentWarningOutlivesTheProcess(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		store := &memStore{}
		away := &inbox{fails: 1 << 30}
		liveFor(t, testOptions(store, fixed{values: values(3)}, owner(away)), time.Minute)
		box := &inbox{}
		liveFor(t, testOptions(store, fixed{values: values(3)}, owner(box)), time.Hour)
		if len(box.got) != 1 {
			t.Fatalf("after the restart %d notices came, want the one that waited", len(box.got))
		}
	})
}

func TestHangingChannelDelaysNoOther(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box := &inbox{}
		hang := sender.Channel{Channel: outbox.Channel{Name: "hang"}, Sender: hanging{}}
		liveFor(t, testOptions(nil, fixed{values: values(3)}, hang, owner(box)), time.Minute)
		if len(box.got) != 1 {
			t.Errorf("%d notices came, want 1", len(box.got))
		}
	})
}

type hanging struct{}

func (hanging) Send(ctx context.Context, _ alert.Notice) error {
	<-ctx.Done()
	return ctx.Err()
}

type panicking struct{}

func (panicking) Send(context.Context, alert.Notice) error { panic("a bug in a channel") }

func TestPanickingChannelDoesNotTakeTheNodeDown(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := liveFor(t, testOptions(nil, fixed{values: values(3)}, owner(panicking{})), time.Minute)
		if c := l.Snapshot().Channels[0]; c.Outcomes["failed"] == 0 || c.Err == "" {
			t.Errorf("the failure does not show: %+v", c)
		}
	})
}

func TestFullDiskStopsNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		store := &memStore{broken: errors.New("cannot write: no space left on device")}
		box := &inbox{}
		l := NewLoop(testOptions(store, fixed{values: values(3)}, owner(box)))
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
		defer cancel()
		if err := l.Run(ctx); err == nil {
			t.Error("the end did not say that nothing could be saved")
		}
		if len(box.got) != 1 {
			t.Errorf("%d notices came, want 1: a warning counts more than its copy", len(box.got))
		}
		if p := l.Snapshot().Problems; len(p) == 0 {
			t.Error("the problem does not show")
		}
	})
}

// What could not be kept is kept as soon as the disk takes it: a kill after that must not make
// the node forget an alarm of which its owner has heard.
func TestAlarmIsKeptOnceTheDiskHasRoom(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		store := &memStore{broken: errors.New("cannot write: no space left on device")}
		box := &inbox{}
		time.AfterFunc(5*time.Minute, func() {
			store.mu.Lock()
			store.broken = nil
			store.mu.Unlock()
		})
		time.AfterFunc(5*time.Minute+15*time.Second, func() {
			store.mu.Lock()
			defer store.mu.Unlock()
			if saved, ok := store.saved["alerts"].(Alerts); !ok || saved.Outbox.Queues["owner"].Sent != 1 {
				t.Errorf("what was kept 15 s after there was room: %+v", saved)
			}
		})
		liveFor(t, testOptions(store, fixed{values: values(3)}, owner(box)), 6*time.Minute)
		if len(box.got) != 1 {
			t.Errorf("%d notices came, want 1", len(box.got))
		}
	})
}

func TestSilentSourceBlanksNothingElse(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := testOptions(nil, fixed{err: collector.Errorf(collector.Timeout, "cannot read unit 1: no answer")})
		o.Plan.Sources = append(o.Plan.Sources, core.SourcePlan{Name: "box", Every: 10 * time.Second})
		o.Sources = append(o.Sources, LiveSource{Name: "box", Every: 10 * time.Second, Source: fixed{values: values(20)}})
		s := liveFor(t, o, 5*time.Minute).Snapshot()
		if s.Sources[0].Up || s.Sources[0].Errors["timeout"] < 20 {
			t.Errorf("charger: %+v", s.Sources[0])
		}
		if m := s.Reading[reading.BatteryVolts]; !m.Known || m.Source != "box" {
			t.Errorf("battery_volts: %+v", m)
		}
	})
}

// forgetful is a receiver that wants to hear again what is active.
type forgetful struct {
	inbox
	again [][]alert.Notice
}

func (*forgetful) Every() time.Duration { return 2 * time.Minute }

func (f *forgetful) Resend(_ context.Context, active []alert.Notice) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.again = append(f.again, active)
	return nil
}

func TestForgetfulReceiverHearsAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &forgetful{}
		liveFor(t, testOptions(nil, fixed{values: values(3)}, owner(f)), 10*time.Minute+time.Second)
		if len(f.again) != 5 {
			t.Fatalf("it heard %d times in ten minutes, want 5", len(f.again))
		}
		if last := f.again[4]; len(last) != 1 || last[0].ID != f.got[0].ID {
			t.Errorf("it heard %v, want the alarm %s", last, f.got[0].ID)
		}
	})
}

// A state that is lost is no first start: the charge that the owner gave for that says nothing of
// today. The very first start takes it.
func TestLostStateIsNoFirstStart(t *testing.T) {
	for name, c := range map[string]struct {
		damage   []string
		recorded bool
		form     int     // of the belief that is found; 0: none is
		widest   float64 // of the band of charge
		lost     bool
	}{
		"first start":           {widest: 0.35},
		"damaged":               {damage: []string{"node is damaged"}, lost: true},
		"gone, but recorded":    {recorded: true, lost: true},
		"another version's":     {form: 7, lost: true},
		"damaged, and recorded": {damage: []string{"node is damaged"}, recorded: true, lost: true},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				// The voltage of the flat middle, which tells next to nothing of the charge.
				o := testOptions(&memStore{damage: c.damage}, fixed{values: []reading.Value{{Quantity: reading.BatteryVolts, X: 13.2}, {Quantity: reading.BatteryAmps, X: -0.2}}})
				o.Plan.Battery.InitialSoC, o.Recorded = 0.9, c.recorded
				if c.form != 0 {
					o.Store.(*memStore).saved = map[string]any{"node": core.Memory{Belief: battery.State{Form: c.form}}}
				}
				s := liveFor(t, o, time.Minute).Snapshot()
				told := slices.ContainsFunc(s.Problems, func(p string) bool { return strings.Contains(p, "initial_soc") })
				band := s.Belief.High - s.Belief.Low
				if c.lost && band < 0.4 || !c.lost && band > c.widest || told != c.lost {
					t.Errorf("charge %.2f [%.2f, %.2f], told %v", s.Belief.SoC, s.Belief.Low, s.Belief.High, told)
				}
			})
		})
	}
}
