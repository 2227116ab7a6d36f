package lookback_test

import (
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"ebbwatch/alert"
	"ebbwatch/cmd/internal/core"
	"ebbwatch/cmd/internal/history"
	"ebbwatch/cmd/internal/lookback"
	"ebbwatch/collector"
	"ebbwatch/collector/reading"
	"ebbwatch/collector/sim"
	"ebbwatch/estimator/battery"
	"ebbwatch/estimator/outlook"
)

// step is the time between polls of the simulated node.
const step = 5 * time.Minute

// node is a simulated node whose daemon's core runs and records into a real history. Its
// site is the simulator's, with formulas of its own; what happens to it is in its fields,
// which a fault sets as it goes. The look back sees the history alone.
type node struct {
	t    *testing.T
	rng  *rand.Rand
	site *sim.Site
	path string // of the history

	// What is wrong now.
	boardOff  bool // no power for the board, or it hangs
	stopped   bool // the daemon alone does not run
	cardDead  bool // what is recorded is lost
	noPanel   bool // the panel's wire is open
	apart     bool // the board has a supply of its own at the battery, past the load output
	boxWarmer float64
	behind    time.Duration      // the wall clock
	peers     map[string]float64 // share of probes lost, by peer

	forecasts bool
	core      *core.Core
	memory    *core.Memory
	store     *history.Store
	boots     int
	booted    time.Time
	began     time.Time // of the daemon
	heard     time.Time // the last forecast
	notices   []alert.Notice
	site0     outlook.Site
}

// newNode is a node of a season under a sky of so many tenths of a clear one, a day each.
func newNode(t *testing.T, seed uint64, start time.Time, sky []float64, meanC float64, change func(*sim.Spec)) *node {
	t.Helper()
	const lat, lon = 52.75, 6.57
	spec := sim.DemoSpec(seed)
	spec.Start = start
	spec.Sky = sim.NewWeather(lat, lon, sim.Story(lat, lon, start, sky, meanC), seed)
	spec.Battery = sim.Battery{CapacityAh: 58, LabelAh: 60, StartSoC: 0.85}
	spec.Load = sim.Load{DayWatts: 10.5, NightWatts: 9, Flutter: 0.06, UnmeteredWatts: 0.3}
	if change != nil {
		change(&spec)
	}
	n := &node{
		t: t, rng: rand.New(rand.NewPCG(seed, 77)), site: sim.New(spec), path: filepath.Join(t.TempDir(), "history.db"),
		peers: map[string]float64{"gate": 0.003, "boathouse": 0.012}, forecasts: seed%4 != 3,
		site0: outlook.Site{Latitude: lat, Longitude: lon, WattsPeak: spec.Panel.WattsPeak, TiltDeg: 60, AzimuthDeg: 180, MPPT: true, Zone: time.UTC},
	}
	t.Cleanup(n.down)
	return n
}

func (n *node) battery() battery.Battery {
	return battery.Battery{CapacityAh: n.site.Spec().Battery.LabelAh, Cells: 4, Reserve: 0.2, CutoffVolts: 11.6, InitialSoC: 0.8}
}

// up starts the daemon, and the board first where it was off.
func (n *node) up() {
	if n.booted.IsZero() {
		n.boots++
		n.booted = n.site.Now().Add(-40 * time.Second)
	}
	n.began = n.site.Now()
	boot := fmt.Sprintf("start %d", n.boots)
	up := n.began.Sub(n.booted)
	n.store = history.Open(history.Options{Path: n.path, Peers: []string{"boathouse", "gate"}, Boot: boot, MonoBase: up, Batch: 3 * time.Hour})
	n.core = core.New(core.Plan{
		Site: "slipway", Zone: time.UTC, Seed: 1, Battery: n.battery(), Array: n.site0, OutlookEvery: 5 * time.Hour, Boot: boot, Up: up,
		Sources: []core.SourcePlan{{Name: "charger", Kind: "modbus", Every: step}, {Name: "path", Kind: "ping", Every: step, Peers: []string{"boathouse", "gate"}}},
		Engine:  alert.Engine{Rules: ahead(), Site: "slipway", Zone: time.UTC, TripHours: 1.5},
	})
	if n.memory != nil {
		n.core.Resume(*n.memory, n.stamp())
	}
	n.heard = time.Time{}
}

// ahead are the rules of a cut-off ahead alone: the others would be told of, and cost time.
func ahead() []alert.Rule {
	return slices.DeleteFunc(alert.Builtin(), func(r alert.Rule) bool { return r.Name != "cutoff_ahead" })
}

// down ends the daemon. What waits in memory is written: the daemon writes at once while the
// load may go at any time, and a batch is shorter than what a look back can see.
func (n *node) down() {
	if n.store == nil {
		return
	}
	if err := n.store.Close(n.t.Context()); err != nil && n.t.Context().Err() == nil {
		n.t.Error(err)
	}
	n.store, n.core = nil, nil
}

func (n *node) stamp() reading.Stamp {
	now := n.site.Now()
	return reading.Stamp{Mono: now.Sub(n.began), Wall: now.Add(-n.behind), Trusted: true}
}

// live lets the node live until a moment; act may do something to it at each step.
func (n *node) live(until time.Time, act func(now time.Time)) {
	for n.site.Now().Before(until) {
		n.site.Step(step)
		if act != nil {
			act(n.site.Now())
		}
		n.tick()
	}
}

func (n *node) tick() {
	truth := n.site.Truth()
	powered := !n.boardOff && !truth.Open && (n.apart || truth.LoadOn)
	if !powered {
		n.booted = time.Time{}
	}
	if !powered || n.stopped {
		n.down()
		return
	}
	if n.store == nil {
		n.up()
		return // it polls when it is up
	}
	at := n.stamp()
	if n.forecasts && at.Wall.Sub(n.heard) >= 6*time.Hour {
		n.heard = at.Wall
		n.core.Forecast(n.forecast(at.Wall))
	}
	for source, values := range map[string][]reading.Value{"charger": n.charger(), "path": n.way()} {
		if err := n.core.Report(collector.Report{Source: source, At: at, Values: values}); err != nil {
			n.t.Fatal(err)
		}
	}
	n.notices = append(n.notices, n.core.Step(at)...)
	if !n.cardDead {
		n.store.Add(n.core.Snapshot(at))
		if at.Wall.Minute() == 0 && at.Wall.Hour()%6 == 0 {
			if err := n.store.Flush(n.t.Context()); err != nil {
				n.t.Fatal(err)
			}
			m := n.core.Memory()
			n.memory = &m
		}
	}
}

// charger is what the controller's meters say.
func (n *node) charger() []reading.Value {
	values := n.site.Measured()
	for i := range values {
		switch v := &values[i]; v.Quantity {
		case reading.ControllerCelsius:
			v.X += n.boxWarmer
		case reading.PanelVolts, reading.PanelWatts, reading.PanelAmps:
			if n.noPanel {
				v.X = 0
			}
		}
	}
	return values
}

// way is what pings would say: forty probes a poll.
func (n *node) way() []reading.Value {
	var out []reading.Value
	dead := !n.site.Truth().LoadOn // the radio hangs on the load output
	for _, name := range []string{"boathouse", "gate"} {
		lost := 0.0
		for range 40 {
			if n.rng.Float64() < n.peers[name] || dead {
				lost += 1.0 / 40
			}
		}
		v := func(q reading.Quantity, x float64) { out = append(out, reading.Value{Quantity: q, Of: name, X: x}) }
		v(reading.PeerLossRatio, min(lost, 1))
		if lost > 0.99 {
			v(reading.PeerUp, 0)
			continue
		}
		v(reading.PeerUp, 1)
		v(reading.PeerRTTSeconds, 0.004*(1+0.2*n.rng.Float64()))
	}
	return out
}

// forecast is a weather service's: the day's light is right to within a fifth.
func (n *node) forecast(at time.Time) *reading.Forecast {
	f := &reading.Forecast{Issued: at}
	hour := at.Truncate(time.Hour)
	err := 1.0
	for h := range 168 {
		if start := hour.Add(time.Duration(h) * time.Hour); h == 0 || start.Hour() == 0 {
			err = max(0.5, 1+0.15*n.rng.NormFloat64())
		}
		start := hour.Add(time.Duration(h) * time.Hour)
		sum := 0.0
		for q := range 4 {
			sum += n.site.Spec().Sky.At(start.Add(time.Duration(q)*15*time.Minute+7*time.Minute+n.behind)).GHI / 4
		}
		air := n.site.Spec().Sky.At(start).Celsius
		f.Hours = append(f.Hours, reading.ForecastHour{Start: start, GHI: sum * err, CloudRatio: nan(), AirCelsius: air})
	}
	return f
}

// look is the report that the shipped program makes of the node's history.
func (n *node) look(from time.Time) lookback.Report {
	n.t.Helper()
	n.down()
	store := history.Open(history.Options{Path: n.path, Peers: []string{"boathouse", "gate"}})
	defer store.Close(n.t.Context())
	now := n.site.Now()
	steps, err := lookback.Load(n.t.Context(), store, from.Add(-lookback.Month), now, []string{"boathouse", "gate"}, nil)
	if err != nil {
		n.t.Fatal(err)
	}
	return lookback.Make(lookback.Input{Site: "slipway", From: from, To: now, Steps: steps, Battery: n.battery(), Array: n.site0, Notices: n.notices, Health: nan()})
}
