package daemon

import (
	"bytes"
	"context"
	"log/slog"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"ebbwatch/alert/outbox"
	"ebbwatch/alert/sender"
	"ebbwatch/cmd/internal/core"
	"ebbwatch/collector/reading"
)

// counted is a source that counts how often it is asked.
type counted struct {
	asked *atomic.Int64
}

func (c counted) Read(context.Context) ([]reading.Value, error) {
	c.asked.Add(1)
	return []reading.Value{{Quantity: reading.BatteryVolts, X: 12.2}, {Quantity: reading.BatteryAmps, X: -0.1}}, nil
}

// A battery that begins nearly empty is asked a third as often, the facts and the log say
// so, and the values do not grow stale between the polls.
func TestLowBatteryThinsPolls(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var asked atomic.Int64
		var log bytes.Buffer
		o := testOptions(nil, counted{asked: &asked})
		o.Plan.Battery.InitialSoC, o.Plan.Battery.Reserve = 0.05, 0.5
		o.Log = slog.New(slog.NewTextHandler(&log, nil))
		o.Extras = func() map[string]float64 { return map[string]float64{"disk_free_ratio": 0.5} }
		l := liveFor(t, o, time.Hour)
		if n := asked.Load(); n < 118 || n > 126 {
			t.Errorf("asked %d times in an hour, want about 120", n)
		}
		s := l.Snapshot()
		if s.Extra["polls_thinned"] != 1 || s.Sources[0].Every != 30*time.Second || s.Extra["disk_free_ratio"] != 0.5 {
			t.Errorf("the facts: %v, %v", s.Extra, s.Sources[0])
		}
		if !s.Reading[reading.BatteryVolts].Known || !s.Sources[0].Up {
			t.Error("the values grew stale between the polls")
		}
		if n := strings.Count(log.String(), "asked a third as often"); n != 1 {
			t.Errorf("the log says so %d times:\n%s", n, &log)
		}
	})
}

// A low battery has the belief saved half as often, and a warning at once as ever: it is kept
// before it is sent.
func TestLowBatteryThinsWritesButNoWarning(t *testing.T) {
	for _, tt := range []struct {
		name          string
		charge, volts float64
		least, most   int // saves of the belief in six hours, six of them in the first, and one at the end
	}{{"plenty", 0.9, 13.3, 17, 19}, {"low", 0.05, 12.2, 11, 13}} {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				store := &memStore{}
				box := &inbox{store: store}
				cold := fixed{values: []reading.Value{{Quantity: reading.BatteryVolts, X: tt.volts}, {Quantity: reading.BatteryAmps, X: 0}, {Quantity: reading.BatteryCelsius, X: 2}}}
				o := testOptions(store, cold, sender.Channel{Channel: outbox.Channel{Name: "owner"}, Sender: box})
				o.Plan.Battery.InitialSoC, o.Plan.Battery.Reserve = tt.charge, 0.5
				l := liveFor(t, o, 6*time.Hour)
				if thinned := l.Snapshot().Extra["writes_thinned"]; (thinned == 1) != (tt.name == "low") {
					t.Errorf("writes_thinned is %v", thinned)
				}
				n := 0
				for _, name := range store.order {
					if name == "node" {
						n++
					}
				}
				if n < tt.least || n > tt.most {
					t.Errorf("the belief was saved %d times, want %d to %d", n, tt.least, tt.most)
				}
				if len(box.got) == 0 || box.early > 0 {
					t.Errorf("%d notices came, %d of them before they were kept", len(box.got), box.early)
				}
			})
		})
	}
}

// The belief is kept as soon as there is one: in a brown-out the power goes minutes after each
// start. What is kept is never much older than the time that the board was up.
func TestTheFirstBeliefIsKeptAtOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		store := &memStore{}
		source := fixed{values: []reading.Value{{Quantity: reading.BatteryVolts, X: 13.3}, {Quantity: reading.BatteryAmps, X: -1}}}
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		l := NewLoop(testOptions(store, source))
		go l.Run(ctx)
		for _, c := range []struct{ up, old time.Duration }{{30 * time.Second, 30 * time.Second}, {5 * time.Minute, 3 * time.Minute},
			{30 * time.Minute, 17 * time.Minute}, {2 * time.Hour, 31 * time.Minute}} {
			time.Sleep(c.up - l.now().Mono)
			synctest.Wait()
			store.mu.Lock()
			kept, ok := store.saved["node"].(core.Memory)
			store.mu.Unlock()
			if age := l.now().Mono - kept.Mono; !ok || age > c.old {
				t.Errorf("after %s what was kept is %s old (%v), want at most %s", c.up, age, ok, c.old)
			}
		}
	})
}
