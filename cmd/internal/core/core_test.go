package core

import (
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"ebbwatch/alert"
	"ebbwatch/cmd/internal/facts"
	"ebbwatch/collector"
	"ebbwatch/collector/reading"
	"ebbwatch/estimator/battery"
	"ebbwatch/estimator/outlook"
)

// start is a winter noon at the club's reservoir.
func start() time.Time { return time.Date(2026, 1, 12, 11, 0, 0, 0, time.UTC) }

func at(d time.Duration) reading.Stamp {
	return reading.Stamp{Mono: d, Wall: start().Add(d), Trusted: true}
}

func testPlan() Plan {
	return Plan{
		Site: "slipway", Zone: time.UTC,
		Battery: battery.Battery{CapacityAh: 80, Cells: 4, Reserve: 0.2, CutoffVolts: 11.6, InitialSoC: 0.7},
		Array:   outlook.Site{Latitude: 52.75, Longitude: 6.57, WattsPeak: 240, TiltDeg: 60, AzimuthDeg: 180, MPPT: true, Zone: time.UTC},
		Sources: []SourcePlan{
			{Name: "charger", Kind: "modbus", Every: 10 * time.Second},
			{Name: "box", Kind: "hwmon", Every: time.Minute},
			{Name: "path", Kind: "ping", Every: 30 * time.Second, Peers: []string{"gate", "boathouse"}},
		},
		OutlookEvery: 15 * time.Minute, Seed: 1,
	}
}

func report(source string, when time.Duration, err error, pairs ...any) collector.Report {
	r := collector.Report{Source: source, At: at(when), Err: err, Took: 40 * time.Millisecond}
	for i := 0; i < len(pairs); i += 2 {
		r.Values = append(r.Values, reading.Value{Quantity: pairs[i].(reading.Quantity), X: pairs[i+1].(float64)})
	}
	return r
}

func take(t *testing.T, c *Core, r collector.Report) {
	t.Helper()
	if err := c.Report(r); err != nil {
		t.Fatal(err)
	}
}

func TestMeasured(t *testing.T) {
	t.Parallel()
	const volts, amps = reading.BatteryVolts, reading.BatteryAmps
	broken := collector.Errorf(collector.CRC, "cannot read unit 1: wrong check sum")
	tests := []struct {
		name    string
		reports []collector.Report
		now     time.Duration
		q       reading.Quantity
		want    facts.Measured
	}{
		{"nothing was read", nil, 0, volts, facts.Measured{}},
		{"the first source in the configuration wins",
			[]collector.Report{report("box", 0, nil, volts, 13.0), report("charger", 0, nil, volts, 13.2)},
			time.Second, volts, facts.Measured{Known: true, X: 13.2, Age: time.Second, Source: "charger"}},
		{"the next one steps in when the first is too old",
			[]collector.Report{report("charger", 0, nil, volts, 13.2), report("box", time.Minute, nil, volts, 13.0)},
			61 * time.Second, volts, facts.Measured{Known: true, X: 13.0, Age: time.Second, Source: "box"}},
		{"too old is not known", []collector.Report{report("charger", 0, nil, volts, 13.2)}, 36 * time.Second, volts, facts.Measured{}},
		{"what a good poll leaves out is not known",
			[]collector.Report{report("charger", 0, nil, volts, 13.2, amps, 1.0), report("charger", 10*time.Second, nil, volts, 13.3)},
			11 * time.Second, amps, facts.Measured{}},
		{"beside an error the older value stays",
			[]collector.Report{report("charger", 0, nil, volts, 13.2, amps, 1.0), report("charger", 10*time.Second, broken, volts, 13.3)},
			11 * time.Second, amps, facts.Measured{Known: true, X: 1, Age: 11 * time.Second, Source: "charger"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			c := New(testPlan())
			for _, r := range tt.reports {
				take(t, c, r)
			}
			if got := c.measured(at(tt.now))[tt.q]; got != tt.want {
				t.Errorf("got %+v, want %+v", got, tt.want)
			}
		})
	}
}

func TestSuspectGivesWay(t *testing.T) {
	t.Parallel()
	c := New(testPlan())
	r := report("charger", 0, nil, reading.BatteryVolts, 132.0)
	r.Values[0].Suspect = "ten times what the others say"
	take(t, c, r)
	if got := c.reading(at(0)); !got.Empty() {
		t.Errorf("a suspect value reached the belief: %+v", got)
	}
	if m := c.measured(at(0))[reading.BatteryVolts]; !m.Known || m.Suspect == "" {
		t.Errorf("a suspect value is to be shown as such, got %+v", m)
	}
	take(t, c, report("box", 0, nil, reading.BatteryVolts, 13.2))
	if m := c.measured(at(0))[reading.BatteryVolts]; m.X != 13.2 || m.Suspect != "" {
		t.Errorf("the clean value of another source is to be used, got %+v", m)
	}
}

func TestUnknownSource(t *testing.T) {
	t.Parallel()
	if err := New(testPlan()).Report(report("nobody", 0, nil)); err == nil {
		t.Error("a report for a source that there is not was taken")
	}
}

func TestSourceFacts(t *testing.T) {
	t.Parallel()
	c := New(testPlan())
	c.Step(at(0))
	take(t, c, report("charger", 10*time.Second, nil, reading.BatteryVolts, 13.2))
	take(t, c, report("box", 10*time.Second, collector.Errorf(collector.Port, "cannot open the port")))
	c.Step(at(20 * time.Second))
	s := c.Snapshot(at(20 * time.Second))
	charger, box := s.Sources[0], s.Sources[1]
	if !charger.Up || charger.Age != 10*time.Second || charger.Errors["port"] != 0 {
		t.Errorf("charger: %+v", charger)
	}
	if box.Up || box.Age >= 0 || box.Silent != 20*time.Second || box.Errors["port"] != 1 || box.Err == "" {
		t.Errorf("box: %+v", box)
	}
	if s.Ready {
		t.Error("ready although path was never asked")
	}
	take(t, c, report("path", 21*time.Second, errors.New("no route")))
	if !c.Snapshot(at(22 * time.Second)).Ready {
		t.Error("not ready although every source was asked")
	}
}

func TestPeerFacts(t *testing.T) {
	t.Parallel()
	c := New(testPlan())
	r := collector.Report{Source: "path", At: at(0), Values: []reading.Value{
		{Quantity: reading.PeerUp, Of: "gate", X: 1},
		{Quantity: reading.PeerRTTSeconds, Of: "gate", X: 0.004},
		{Quantity: reading.PeerLossRatio, Of: "gate", X: 0.2},
		{Quantity: reading.PeerUp, Of: "boathouse", X: 0},
	}}
	take(t, c, r)
	peers := c.Snapshot(at(time.Second)).Peers
	if g := peers[0]; !g.Up || !g.Known || g.RTTSeconds != 0.004 || g.LossRatio != 0.2 {
		t.Errorf("gate: %+v", g)
	}
	if b := peers[1]; b.Up || !b.Known || !math.IsNaN(b.RTTSeconds) {
		t.Errorf("boathouse: %+v", b)
	}
	if late := c.Snapshot(at(time.Hour)).Peers; late[0].Known {
		t.Error("an hour later nothing is known of the peer")
	}
}

func TestEnergy(t *testing.T) {
	t.Parallel()
	c := New(testPlan())
	for i := range 7 {
		when := time.Duration(i) * 10 * time.Second
		take(t, c, report("charger", when, nil, reading.BatteryVolts, 13.0, reading.BatteryAmps, -2.0, reading.LoadWatts, 21.0, reading.PanelVolts, 18.0, reading.PanelAmps, 0.5))
		c.Step(at(when))
	}
	want := map[string]float64{"load": 21 * 60, "pv": 9 * 60, "battery_out": 26 * 60, "battery_in": 0}
	for flow, joules := range want {
		if got := c.Memory().Energy[flow]; math.Abs(got-joules) > 1e-9 {
			t.Errorf("%s: %g J after a minute, want %g", flow, got, joules)
		}
	}
	c.Step(at(2 * time.Hour))
	if got := c.Memory().Energy["load"]; got != want["load"] {
		t.Errorf("energy grew over two hours in which nothing was read: %g J", got)
	}
}

// What the page calls the panel's power is what its energy is counted from, also where the
// controller tells only the current that it charges with.
func TestEnergyAndPowerAgree(t *testing.T) {
	t.Parallel()
	for name, given := range map[string][]any{
		"charging current": {reading.BatteryVolts, 13.0, reading.ChargeAmps, 3.0, reading.LoadAmps, 1.0},
		"watts":            {reading.PanelWatts, 40.0, reading.LoadWatts, 12.0},
		"volts, amperes":   {reading.PanelVolts, 30.0, reading.PanelAmps, 2.0, reading.LoadVolts, 12.0, reading.LoadAmps, 2.0},
	} {
		c := New(testPlan())
		for i := range 7 {
			when := time.Duration(i) * 10 * time.Second
			take(t, c, report("charger", when, nil, given...))
			c.Step(at(when))
		}
		get := facts.NewIndex().Lookup(c.Snapshot(at(time.Minute)))
		for flow, fact := range map[string]string{"pv": "pv_watts", "load": "load_watts"} {
			joules := c.Memory().Energy[flow]
			if watts, known := get(fact); !known || joules == 0 || math.Abs(watts*60-joules) > 1e-9 {
				t.Errorf("%s: %s is %g (known: %v) beside %g J in a minute", name, fact, watts, known, joules)
			}
		}
	}
}

// lived is a core that watched a battery give 8 A for an hour.
func lived(t *testing.T) *Core {
	t.Helper()
	c := New(testPlan())
	for i := range 60 {
		when := time.Duration(i) * time.Minute
		take(t, c, report("charger", when, nil, reading.BatteryVolts, 13.0, reading.BatteryAmps, -8.0))
		c.Step(at(when))
	}
	return c
}

func TestRestart(t *testing.T) {
	t.Parallel()
	first := lived(t)
	width := func(c *Core) float64 { return c.Belief().High - c.Belief().Low }
	saved := first.Memory()
	untimed := saved
	untimed.Trusted = false
	tests := []struct {
		name   string
		memory Memory
		away   time.Duration
		trust  bool
		wider  bool
	}{
		{"back at once", saved, time.Minute, true, false},
		{"a day away", saved, 24 * time.Hour, true, true},
		{"a day away by a clock that nobody vouches for", saved, 24 * time.Hour, false, true},
		{"a clock that went back", saved, -48 * time.Hour, false, true},
		{"saved by a clock that nobody vouched for", untimed, time.Minute, true, true},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			now := reading.Stamp{Mono: time.Second, Wall: saved.Wall.Add(tt.away), Trusted: tt.trust}
			c := New(testPlan())
			c.Resume(tt.memory, now)
			c.Step(now)
			if grew := width(c) > width(first)+0.01; grew != tt.wider {
				t.Errorf("the band was %.3f and is %.3f", width(first), width(c))
			}
		})
	}
}

// While the board stays up its own clock tells how long the program was away, whatever was done
// to the wall clock meanwhile; a start of the board begins another one.
func TestAwayWithinOneBoot(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		name      string
		boot      string
		up, wall  time.Duration // since the board was started and since the state was saved, at the resume
		trust     bool
		want, off time.Duration
	}{
		{"the wall clock went 25 h ahead", "one", 51 * time.Hour, 25 * time.Hour, true, time.Hour, time.Minute},
		{"the wall clock went back", "one", 51 * time.Hour, -25 * time.Hour, true, time.Hour, time.Minute},
		{"nobody vouches for the wall clock", "one", 51 * time.Hour, 25 * time.Hour, false, time.Hour, time.Minute},
		{"the board was started anew", "two", time.Minute, 25 * time.Hour, true, 25 * time.Hour, time.Minute},
		{"nobody knows the boot", "", 51 * time.Hour, 25 * time.Hour, true, 25 * time.Hour, time.Minute},
	} {
		saved := lived(t).Memory()
		saved.Boot, saved.Up = "one", 50*time.Hour
		if tt.boot == "" {
			saved.Boot = ""
		}
		plan := testPlan()
		plan.Boot, plan.Up = tt.boot, tt.up
		c := New(plan)
		now := reading.Stamp{Wall: saved.Wall.Add(tt.wall), Trusted: tt.trust}
		c.Resume(saved, now)
		c.Step(now)
		m := c.Memory()
		if aged := m.Mono - saved.Mono; (aged - tt.want).Abs() > tt.off {
			t.Errorf("%s: the belief aged by %v, want %v", tt.name, aged, tt.want)
		}
		if m.Boot != tt.boot || m.Up != tt.up {
			t.Errorf("%s: kept %q, %v", tt.name, m.Boot, m.Up)
		}
		later := reading.Stamp{Mono: time.Minute, Wall: now.Wall.Add(time.Minute), Trusted: true}
		c.Step(later)
		if aged := c.Memory().Mono - m.Mono; tt.trust == false && aged > 2*time.Minute {
			t.Errorf("%s: trust aged the belief by %v", tt.name, aged)
		}
	}
}

func TestLateTrustTellsHowLongItWas(t *testing.T) {
	t.Parallel()
	saved := lived(t).Memory()
	c := New(testPlan())
	boot := reading.Stamp{Mono: time.Second, Wall: saved.Wall.Add(time.Minute)} // as a file remembered it
	c.Resume(saved, boot)
	c.Step(boot)
	before := c.Memory().Mono
	c.Step(reading.Stamp{Mono: time.Minute, Wall: saved.Wall.Add(30 * time.Hour), Trusted: true})
	if aged := c.Memory().Mono - before; aged < 29*time.Hour || aged > 31*time.Hour {
		t.Errorf("the belief aged by %v, want about 30 h", aged)
	}
}

// A board without a clock starts after some days, is charged full, and then learns what time it
// is: what was told by the full stands.
func TestLateTrustDoesNotAgeAFull(t *testing.T) {
	t.Parallel()
	saved := lived(t).Memory()
	c := New(testPlan())
	boot := reading.Stamp{Mono: time.Second, Wall: saved.Wall.Add(time.Minute)}
	c.Resume(saved, boot)
	now := boot
	for now.Mono < 5*time.Hour {
		take(t, c, collector.Report{Source: "charger", At: now, Values: []reading.Value{
			{Quantity: reading.BatteryVolts, X: 14.3}, {Quantity: reading.BatteryAmps, X: 0.8}, {Quantity: reading.LoadWatts, X: 5},
		}})
		c.Step(now)
		now.Mono, now.Wall = now.Mono+5*time.Minute, now.Wall.Add(5*time.Minute)
	}
	full := c.Belief()
	if full.SinceFull < 0 || full.SinceFull > time.Hour {
		t.Fatalf("no full was believed: %+v", full)
	}
	aged := c.Memory().Mono
	now.Wall, now.Trusted = saved.Wall.Add(72*time.Hour), true
	c.Step(now)
	if b := c.Belief(); b.SinceFull > time.Hour || b.Low < full.Low-0.02 || c.Memory().Mono-aged > time.Hour {
		t.Errorf("since the full %v, band from %.2f, before the trust %v and %.2f", b.SinceFull, b.Low, full.SinceFull, full.Low)
	}
}

func TestSnapshotIsImmutable(t *testing.T) {
	t.Parallel()
	c := New(testPlan())
	step := func(when time.Duration) {
		take(t, c, report("charger", when, collector.Errorf(collector.Timeout, "late"), reading.BatteryVolts, 13.0, reading.LoadWatts, 20.0))
		c.Step(at(when))
	}
	step(0)
	step(10 * time.Second)
	s := c.Snapshot(at(10 * time.Second))
	energy, timeouts := s.Energy["load"], s.Sources[0].Errors["timeout"]
	step(20 * time.Second)
	if s.Energy["load"] != energy || s.Sources[0].Errors["timeout"] != timeouts {
		t.Error("a snapshot changed after it was handed out")
	}
}

func TestImpossibleValueIsKeptFromTheBelief(t *testing.T) {
	t.Parallel()
	c := New(testPlan())
	take(t, c, report("charger", 0, nil, reading.BatteryVolts, 60.0, reading.BatteryAmps, -1.0))
	m := c.measured(at(0))[reading.BatteryVolts]
	if !m.Known || m.Suspect == "" {
		t.Errorf("60 V from four cells is not doubted: %+v", m)
	}
	r := c.reading(at(0))
	if _, known := r.Get(reading.BatteryVolts); known {
		t.Error("it reached the belief")
	}
	if _, known := r.Get(reading.BatteryAmps); !known {
		t.Error("the current beside it was lost")
	}
}

// What contradicts the rest for minutes is told, once, with the instrument and the quantity.
func TestDoubtIsTold(t *testing.T) {
	t.Parallel()
	plan := testPlan()
	plan.Engine = alert.Engine{Rules: alert.Builtin(), Site: plan.Site, Instances: map[string][]string{"source": {"charger", "box"}}}
	c := New(plan)
	var told []alert.Notice
	for d := time.Duration(0); d <= 10*time.Minute; d += 10 * time.Second {
		take(t, c, report("charger", d, nil, reading.BatteryVolts, 1.348, reading.LoadAmps, 1.0))
		take(t, c, report("box", d, nil, reading.AirCelsius, 4.0))
		for _, n := range c.Step(at(d)) {
			if n.Rule == "reading_doubted" {
				told = append(told, n)
			}
		}
	}
	if len(told) != 1 || !strings.Contains(told[0].Text, "the battery's voltage") || strings.Contains(told[0].Text, "load's") ||
		!strings.Contains(told[0].Title, "charger") || len(told[0].Advice) != 3 {
		t.Errorf("a voltage of a tenth was told as %+v", told)
	}
	s := c.Snapshot(at(10 * time.Minute))
	if n := s.Sources[0].Doubtful(); n != 1 || s.Sources[1].Doubtful() != 0 {
		t.Errorf("%d values of the charger and %d of the box are doubted, want 1 and 0", n, s.Sources[1].Doubtful())
	}
}

// A ping and a peer source may both know the boathouse: a metric cannot stand twice.
func TestPeerThatTwoSourcesKnow(t *testing.T) {
	t.Parallel()
	p := testPlan()
	p.Sources = append(p.Sources, SourcePlan{Name: "neighbours", Kind: "peer", Every: time.Minute, Peers: []string{"boathouse"}})
	c := New(p)
	take(t, c, collector.Report{Source: "neighbours", At: at(0), Values: []reading.Value{{Quantity: reading.PeerUp, Of: "boathouse", X: 1}}})
	peers := c.Snapshot(at(0)).Peers
	if len(peers) != 2 || peers[1].Name != "boathouse" || !peers[1].Known || peers[1].Source != "neighbours" {
		t.Errorf("%+v: want gate, and boathouse by the source that knows it", peers)
	}
}
