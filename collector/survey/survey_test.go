package survey

import (
	"context"
	"errors"
	"fmt"
	"math"
	"net"
	"slices"
	"strings"
	"testing"
	"time"

	"ebbwatch/collector"
	"ebbwatch/collector/decode/decodetest"
	"ebbwatch/collector/modbus"
	"ebbwatch/collector/reading"
	"ebbwatch/collector/sim"
)

// script answers the survey's questions in order.
type script struct {
	answers []func() string
	said    []string
	asked   []string
}

func (s *script) Say(line string) { s.said = append(s.said, line) }

func (s *script) Ask(prompt string) (string, error) {
	s.asked = append(s.asked, prompt)
	if len(s.answers) == 0 {
		return "", errors.New("nobody there")
	}
	next := s.answers[0]
	s.answers = s.answers[1:]
	return next(), nil
}

func say(text string) func() string { return func() string { return text } }

// noWait lets no time pass.
func noWait(ctx context.Context, _ time.Duration) error { return ctx.Err() }

// picky is a line that carries a device only with the right settings.
type picky struct {
	settings modbus.Settings
	right    modbus.Settings
	unit     byte
	device   Bus
	wrong    error // what the wrong settings give
	asks     *[]modbus.Ask
}

func (p picky) Ask(ctx context.Context, a modbus.Ask) (modbus.Reply, error) {
	*p.asks = append(*p.asks, a)
	if ctx.Err() != nil {
		return modbus.Reply{}, ctx.Err()
	}
	if p.settings != p.right || a.Unit != p.unit {
		return modbus.Reply{}, p.wrong
	}
	return p.device.Ask(ctx, a)
}

func (p picky) Close() error { return nil }

// rig is a survey of a device on a line that must be found first.
func rig(talk Talk, device Bus, right modbus.Settings, unit byte) (*Survey, *[]modbus.Ask) {
	asks := &[]modbus.Ask{}
	silence := collector.Errorf(collector.Timeout, "no answer")
	return &Survey{Talk: talk, Wait: noWait, Now: func() time.Time { return sim.DemoStart() }, Open: func(s modbus.Settings) Line {
		return picky{settings: s, right: right, unit: unit, device: device, wrong: silence, asks: asks}
	}}, asks
}

func TestProbeFindsSpeedParityAndUnit(t *testing.T) {
	t.Parallel()
	right := modbus.Settings{Port: "/dev/ttyUSB0", Mode: modbus.Mode{Baud: 19200, Parity: "even", StopBits: 1}}
	s, asks := rig(&script{}, newHidden(3), right, 5)
	found, err := s.Probe(t.Context(), Options{Settings: modbus.Settings{Port: "/dev/ttyUSB0"}})
	if err != nil || found.Settings != right || found.Unit != 5 {
		t.Fatalf("found %+v, %v", found, err)
	}
	if want := "port: /dev/ttyUSB0, baud: 19200, unit: 5, parity: even"; found.String() != want {
		t.Errorf("%s, want %s", found, want)
	}
	for _, a := range *asks {
		if a.Table != modbus.Holding && a.Table != modbus.Input || a.Count != 1 {
			t.Fatalf("asked %v", a)
		}
	}
}

func TestProbeSaysWhatToLookAt(t *testing.T) {
	t.Parallel()
	nowhere := modbus.Settings{Port: "/dev/elsewhere"}
	s, asks := rig(&script{}, nil, nowhere, 1)
	_, err := s.Probe(t.Context(), Options{Settings: modbus.Settings{Port: "/dev/ttyUSB0"}, AllUnits: true})
	if err == nil || !strings.HasPrefix(err.Error(), "cannot find a device on /dev/ttyUSB0: nobody answered; try the two data wires") {
		t.Errorf("got %v", err)
	}
	seen := map[byte]bool{}
	for _, a := range *asks {
		seen[a.Unit] = true
	}
	if len(seen) != 247 {
		t.Errorf("asked %d units, want all 247", len(seen))
	}
	_, err = s.Probe(t.Context(), Options{Settings: modbus.Settings{TCP: "127.0.0.1:1502"}, Unit: 1})
	if err == nil || err.Error() != "cannot find a device on 127.0.0.1:1502: nobody answered; look at the address, and at the unit number" {
		t.Errorf("got %v", err)
	}
}

// A port that cannot be opened, another master and the owner's Ctrl-C must end it at once.
func TestProbeStops(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		err  error
		want string
	}{
		"port":   {collector.Errorf(collector.Port, "cannot open /dev/ttyUSB0: another program has it"), "cannot open /dev/ttyUSB0: another program has it"},
		"master": {collector.Errorf(collector.Foreign, "another master speaks on the line"), "cannot look for devices while somebody else does: another master speaks on the line"},
	} {
		asks := &[]modbus.Ask{}
		s := &Survey{Talk: &script{}, Wait: noWait, Open: func(modbus.Settings) Line {
			return picky{wrong: c.err, unit: 99, asks: asks}
		}}
		if _, err := s.Probe(t.Context(), Options{Settings: modbus.Settings{Port: "/dev/ttyUSB0"}}); err == nil || err.Error() != c.want {
			t.Errorf("%s: %v, want %s", name, err, c.want)
		}
		if len(*asks) != 1 {
			t.Errorf("%s: asked %d times", name, len(*asks))
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	s, asks := rig(&script{}, nil, modbus.Settings{}, 1)
	if _, err := s.Probe(ctx, Options{Settings: modbus.Settings{TCP: "x"}}); !errors.Is(err, context.Canceled) {
		t.Errorf("stopped: %v", err)
	}
	if len(*asks) != 0 {
		t.Errorf("asked %d times after the stop", len(*asks))
	}
}

// A thorough sweep must find every range of the made-up devices, and nothing else.
func TestSweepFindsTheRanges(t *testing.T) {
	t.Parallel()
	for seed := range uint64(30) {
		h := newHidden(seed)
		s := &Survey{Talk: &script{}, Wait: noWait}
		got, err := s.Sweep(t.Context(), h, 1, true, nil)
		if err != nil {
			t.Fatal(err)
		}
		var want []Range
		for _, r := range h.ranges {
			want = append(want, r)
			if h.mirror {
				want = append(want, Range{modbus.Holding + modbus.Input - r.Table, r.From, r.Count})
			}
		}
		for _, r := range want {
			if !slices.Contains(got, r) {
				t.Errorf("map %d: %v not found among %v", seed, r, got)
			}
		}
		if len(got) != len(want) {
			t.Errorf("map %d: found %v, want %v", seed, got, want)
		}
		img, err := s.Image(t.Context(), h, 1, got)
		if err != nil || len(img) != len(h.image()) {
			t.Errorf("map %d: an image of %d registers, want %d, %v", seed, len(img), len(h.image()), err)
		}
	}
}

// choosy refuses more than a few registers at once, and everything is there.
type choosy struct {
	most  int
	asked int
}

func (c *choosy) Ask(_ context.Context, a modbus.Ask) (modbus.Reply, error) {
	c.asked++
	if a.Count > c.most {
		return modbus.Reply{}, collector.Errorf(collector.Exception, "not so many")
	}
	regs := make([]uint16, a.Count)
	for i := range regs {
		if at := int(a.Address) + i; at < 40 {
			regs[i] = uint16(at + 1)
		}
	}
	return modbus.Reply{Regs: regs}, nil
}

// A device that answers zeros to everything must not be read from end to end, and one that
// gives few registers at once must still be read whole.
func TestSweepOfADeviceThatAnswersEverything(t *testing.T) {
	t.Parallel()
	c := &choosy{most: 4}
	s := &Survey{Talk: &script{}, Wait: noWait}
	ranges, err := s.Sweep(t.Context(), c, 1, false, nil)
	if err != nil || c.asked > 20000 {
		t.Fatalf("asked %d times, %v", c.asked, err)
	}
	img, err := s.Image(t.Context(), c, 1, ranges[:1])
	if err != nil {
		t.Fatal(err)
	}
	for at := range 40 {
		if img[Address{modbus.Holding, at}] != uint16(at+1) {
			t.Fatalf("register %d: %d", at, img[Address{modbus.Holding, at}])
		}
	}
}

// gone answers a while and then never again.
type gone struct{ left int }

func (g *gone) Ask(_ context.Context, a modbus.Ask) (modbus.Reply, error) {
	if g.left--; g.left < 0 || a.Address > 20 {
		return modbus.Reply{}, collector.Errorf(collector.Timeout, "no answer")
	}
	return modbus.Reply{Regs: make([]uint16, a.Count)}, nil
}

func TestSweepNoticesALostDevice(t *testing.T) {
	t.Parallel()
	s := &Survey{Talk: &script{}, Wait: noWait}
	_, err := s.Sweep(t.Context(), &gone{left: 10}, 7, false, nil)
	if err == nil || err.Error() != "cannot reach unit 7 any more: no answer" {
		t.Errorf("got %v", err)
	}
	_, err = s.Sweep(t.Context(), &gone{}, 7, false, nil)
	if err == nil || !strings.HasPrefix(err.Error(), "cannot read any register of unit 7") {
		t.Errorf("got %v", err)
	}
}

// typing is what an owner reads off the simulated controller's display.
func typing(live *sim.Live, qs ...reading.Quantity) string {
	var parts []string
	live.Look(func(s *sim.Site) {
		for _, v := range s.Measured() {
			if slices.Contains(qs, v.Quantity) {
				parts = append(parts, fmt.Sprintf("%s %.2f", v.Quantity, v.X))
			}
		}
	})
	return strings.Join(parts, ", ")
}

// The whole survey against the simulated controller on a real wire, and its map read by the
// Modbus source: what the source says must be what the controller measures.
func TestSurveyOnARealWire(t *testing.T) {
	t.Parallel()
	site := sim.New(sim.DemoSpec(4))
	site.Step(90 * time.Minute)
	live := sim.NewLive(site, 1) // its time stands still but for what the owner lets pass
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	served := make(chan error, 1)
	go func() { served <- live.Slave(3).ServeTCP(ctx, ln) }()
	shown := []reading.Quantity{
		reading.BatteryVolts, reading.BatteryAmps, reading.PanelVolts, reading.PanelAmps, reading.PanelWatts,
		reading.LoadAmps, reading.LoadVolts, reading.LoadWatts, reading.ControllerCelsius,
	}
	display := func() string { return typing(live, shown...) }
	hands := func(do func(s *sim.Site)) func() string {
		return func() string {
			live.Look(func(s *sim.Site) { do(s); s.Step(40 * time.Minute) })
			return ""
		}
	}
	talk := &script{answers: []func() string{
		hands(func(s *sim.Site) { s.CutLoad(true) }), say("no idea"), display,
		hands(func(s *sim.Site) { s.CutLoad(false); s.Cover(0.93) }), display,
		hands(func(s *sim.Site) { s.Cover(0.5) }), display,
		say(""), say(""),
	}}
	s := New(talk)
	s.Wait = noWait
	r, err := s.Run(ctx, Options{Settings: modbus.Settings{TCP: ln.Addr().String()}})
	if err != nil {
		t.Fatalf("%v\n%s", err, strings.Join(talk.said, "\n"))
	}
	checkMap(t, live, r, shown)
	cancel()
	if err := <-served; err != nil {
		t.Error(err)
	}
}

// checkMap reads the written map with the Modbus source.
func checkMap(t *testing.T, live *sim.Live, r Result, shown []reading.Quantity) {
	t.Helper()
	if r.Found.Unit != 3 || !strings.Contains(string(r.Map), "# battery_volts: typed 1") {
		t.Errorf("unit %d, map:\n%s", r.Found.Unit, r.Map)
	}
	yaml := fmt.Sprintf("{tcp: %q, unit: 3, map: m.yaml}", r.Found.Settings.TCP)
	section := decodetest.Section(t, yaml, map[string]string{"m.yaml": string(r.Map)})
	src, err := modbus.NewKind().New(section)
	if err != nil {
		t.Fatalf("the map is refused: %v\n%s", section.Problems(), r.Map)
	}
	got, err := src.Read(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	right := 0
	live.Look(func(s *sim.Site) {
		for _, want := range s.Measured() {
			for _, v := range got {
				if v.Quantity == want.Quantity && math.Abs(v.X-want.X) < 0.02*math.Abs(want.X)+0.15 {
					right++
				} else if v.Quantity == want.Quantity {
					t.Errorf("%s: %v through the map, %v measured", v.Quantity, v.X, want.X)
				}
			}
		}
	})
	if right < len(shown)-1 {
		t.Errorf("%d of %d quantities found:\n%s", right, len(shown), r.Map)
	}
}

// What was found so far must not be lost when the owner has enough.
func TestSurveyKeepsWhatItHas(t *testing.T) {
	t.Parallel()
	right := modbus.Settings{Port: "/dev/ttyUSB7", Mode: modbus.Mode{Baud: 9600, Parity: "none", StopBits: 1}}
	h := newHidden(5000)
	h.brightly()
	talk := &script{answers: []func() string{say(""), say("battery 13.3 V 2 A")}}
	s, _ := rig(talk, h, right, 1)
	r, err := s.Run(t.Context(), Options{Settings: modbus.Settings{Port: "/dev/ttyUSB7"}, Thorough: true})
	if err == nil || err.Error() != "nobody there" {
		t.Errorf("got %v", err)
	}
	if len(r.Looks) != 1 || len(r.Findings) != 2 || !strings.Contains(string(r.Map), "registers: []\n# ") {
		t.Errorf("%d looks, %d findings, map:\n%s", len(r.Looks), len(r.Findings), r.Map)
	}
}

func TestMapFileTellsTheEvidence(t *testing.T) {
	t.Parallel()
	pick := Candidate{At: Address{modbus.Input, 256}, Type: "s16", Scale: -0.01}
	other := Candidate{At: Address{modbus.Holding, 9}, Type: "u32", LowFirst: true, Scale: 0.1}
	got := string(MapFile(Result{
		Found: Found{Settings: modbus.Settings{Port: "/dev/serial/by-id/usb-0001", Mode: modbus.Mode{Baud: 9600}}, Unit: 1},
		Findings: []Finding{
			{Quantity: reading.BatteryAmps, Verdict: Decided, Pick: pick, Limits: Limits{-242, 242, []uint32{0x7FFF}}, Evidence: []string{"typed 2.1, register said 2.1 (raw -210)"}},
			{Quantity: reading.PanelWatts, Verdict: Undecided, Why: "2 candidates remain", Candidates: []Candidate{other}},
			{Quantity: reading.LoadAmps, Verdict: Missing, Why: "no register says what was typed"},
		},
	}, time.Date(2026, 11, 2, 9, 0, 0, 0, time.UTC)))
	want := `# Register map, found by looking on 2026-11-02.
# Use it as: modbus: {port: /dev/serial/by-id/usb-0001, baud: 9600, unit: 1, map: this file}
# Not done: no look was taken in the dark, where many devices say other things. After sunset run
# ebbwatch survey --dark SOURCE
# Put it to the proof with the kick test before you rely on it.
addresses: wire
base: 0
registers:
  # battery_amps: typed 2.1, register said 2.1 (raw -210)
  - {quantity: battery_amps, table: input, address: 256, type: s16, scale: -0.01, min: -242, max: 242, absent: [0x7FFF]}
# Undecided: pv_watts: 2 candidates remain
#  - {quantity: pv_watts, table: holding, address: 9, type: u32, words: low_first, scale: 0.1}
# Not found: load_amps: no register says what was typed
`
	if got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
}
