package survey

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"math"
	"os/exec"
	"slices"
	"strings"
	"testing"
	"time"

	"ebbwatch/collector"
	"ebbwatch/collector/decode/decodetest"
	"ebbwatch/collector/modbus"
	"ebbwatch/collector/needtest"
	"ebbwatch/collector/plausible"
	"ebbwatch/collector/reading"
)

// slave is a device that testdata/slave.py plays.
type slave struct {
	where string
	in    io.Writer
	out   *bufio.Reader
}

func newSlave(t *testing.T, device string) *slave {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), needtest.Python(t), "testdata/slave.py", device)
	in, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		cmd.Process.Kill()
		cmd.Wait()
	})
	s := &slave{in: in, out: bufio.NewReader(out)}
	where, err := s.out.ReadString('\n')
	if err != nil {
		t.Fatal(err)
	}
	s.where = strings.TrimSpace(where)
	return s
}

// turn changes what is so at the device.
func (s *slave) turn(t *testing.T, state string) {
	t.Helper()
	fmt.Fprintln(s.in, state)
	if line, err := s.out.ReadString('\n'); err != nil || line != "ok\n" {
		t.Fatalf("the slave said %q, %v", line, err)
	}
}

// open reads a slave through the map.
func (s *slave) open(t *testing.T, yaml []byte) collector.Source {
	t.Helper()
	section := decodetest.Section(t, fmt.Sprintf("{tcp: %q, unit: 1, map: m.yaml}", s.where), map[string]string{"m.yaml": string(yaml)})
	src, err := modbus.NewKind().New(section)
	if err != nil {
		t.Fatalf("the map is refused: %v\n%s", section.Problems(), yaml)
	}
	return src
}

const (
	brightly = "battery 13.45 V 4.70 A, panel 17.93 V 4.79 A, charger 6.12 A, load 1.42 A"
	dimly    = "battery 13.12 V -1.23 A, panel 16.40 V 0.81 A, charger 1.03 A, load 2.26 A"
)

// A map that was found by day must not lie at night, whether or not it was looked at in the dark:
// what the device calls not available is not a number, and a zero that is off is no 65 A.
func TestAMapFoundByDayIsTrueAtNight(t *testing.T) {
	t.Parallel()
	for device, dark := range map[string]string{"codes": "battery 13.08 V -2.26 A, load 2.26 A", "signed": "battery 13.08 V 0.02 A, load 0 A"} {
		for _, look := range []bool{false, true} {
			dev := newSlave(t, device)
			to := func(state, answer string) func() string {
				return func() string { dev.turn(t, state); return answer }
			}
			answers := []func() string{to("bright", ""), say(brightly), to("dim", ""), say(dimly), say("")}
			if look {
				answers = append(answers[:4], to("night", "yes"), say(dark))
			}
			s := New(&script{answers: answers})
			s.Wait = noWait
			r, err := s.Run(t.Context(), Options{Settings: modbus.Settings{TCP: dev.where}, Unit: 1, PanelWatts: 240})
			if err != nil {
				t.Fatal(err)
			}
			if strings.Contains(string(r.Map), "# Not done: no look was taken in the dark") == look {
				t.Errorf("%s: the map does not say whether it was looked at in the dark:\n%s", device, r.Map)
			}
			dev.turn(t, "night")
			src := dev.open(t, r.Map)
			values, _ := src.Read(t.Context())
			for _, v := range values {
				if sunny(v.Quantity) && math.Abs(v.X) > 0.1 || v.Quantity == reading.PanelVolts && math.Abs(v.X) > 0.1 ||
					v.Quantity == reading.LoadAmps && v.X > 2.3 {
					t.Errorf("%s, dark look %v: %s reads %g at night\n%s", device, look, v.Quantity, v.X, r.Map)
				}
			}
			if len(values) < 2 {
				t.Errorf("%s: only %v is left at night\n%s", device, values, r.Map)
			}
			verdicts, err := s.Dark(t.Context(), src, plausible.Site{Cells: 4, CapacityAh: 100, WattsPeak: 240})
			if err != nil {
				t.Fatal(err)
			}
			for _, v := range verdicts {
				if v.Proof == Contradicted {
					t.Errorf("%s: %s", device, v)
				}
			}
		}
	}
}

// A map without limits that lies at night, since it names another code than the usual ones, is
// found out by the later look in the dark.
func TestTheLookInTheDarkFindsALie(t *testing.T) {
	t.Parallel()
	dev := newSlave(t, "codes")
	src := dev.open(t, []byte("registers:\n  - {quantity: battery_volts, address: 40, scale: 0.01}\n  - {quantity: pv_amps, address: 43, scale: 0.001, absent: [0xFFFE]}\n"+
		"  - {quantity: charge_amps, address: 44, scale: 0.001, absent: [0xFFFE]}\n"))
	dev.turn(t, "night")
	s := New(&script{})
	s.Wait = noWait
	verdicts, err := s.Dark(t.Context(), src, plausible.Site{Cells: 4, CapacityAh: 100, WattsPeak: 240})
	if err != nil || len(verdicts) != 3 {
		t.Fatalf("%v, %v", verdicts, err)
	}
	for _, v := range verdicts {
		if want := v.Quantity != reading.BatteryVolts; (v.Proof == Contradicted) != want {
			t.Error(v)
		}
	}
}

// A device that says nothing at all where it has no register is found by an address that the owner
// knows, as the manual counts it.
func TestProbeOfASilentDevice(t *testing.T) {
	t.Parallel()
	for _, try := range []int{40, 40041} {
		dev := newSlave(t, "silent-gap")
		s := New(&script{})
		s.Wait = noWait
		found, err := s.Probe(t.Context(), Options{Settings: modbus.Settings{TCP: dev.where}, Unit: 1, Try: []int{try}})
		if err != nil || found.Home != (Address{modbus.Holding, 40}) || !found.Readable {
			t.Errorf("--try %d: found %+v, %v", try, found, err)
		}
	}
}

// holes is a device with registers here and there that refuses, or is silent at, all others.
type holes struct {
	ranges []Range
	other  collector.ErrorKind
}

func (h holes) Ask(_ context.Context, a modbus.Ask) (modbus.Reply, error) {
	for _, r := range h.ranges {
		if r.Table == a.Table && int(a.Address) >= r.From && int(a.Address)+a.Count <= r.From+r.Count {
			return modbus.Reply{Regs: make([]uint16, a.Count)}, nil
		}
	}
	return modbus.Reply{}, collector.Errorf(h.other, "nothing there")
}

// What lies behind a gap is found by the quick sweep as well, and every address by the thorough one.
func TestSweepLooksBehindGaps(t *testing.T) {
	t.Parallel()
	near := []Range{{modbus.Holding, 40, 10}, {modbus.Holding, 71, 3}, {modbus.Holding, 300, 9}}
	far := append(slices.Clone(near), Range{modbus.Input, 33333, 1})
	for _, other := range []collector.ErrorKind{collector.Exception, collector.Timeout} {
		s := &Survey{Talk: &script{}, Wait: noWait}
		for thorough, want := range map[bool][]Range{false: near, true: far} {
			got, err := s.Sweep(t.Context(), holes{far, other}, 1, thorough, &Address{modbus.Holding, 40})
			if err != nil || !slices.Equal(got, want) {
				t.Errorf("thorough %v, others %s: found %v, want %v, %v", thorough, other, got, want, err)
			}
		}
	}
}

// A device with one list under both functions, in tenths, of which one is a tick ahead, is one list.
func TestMirroredTablesAreOne(t *testing.T) {
	t.Parallel()
	dev := newSlave(t, "mirror")
	to := func(state, answer string) func() string {
		return func() string { dev.turn(t, state); return answer }
	}
	talk := &script{answers: []func() string{to("bright", ""), say("battery 13.4 V 4.7 A"), to("dim", ""), say("battery 13.1 V -1.2 A"), say("")}}
	s := New(talk)
	s.Wait = noWait
	r, err := s.Run(t.Context(), Options{Settings: modbus.Settings{TCP: dev.where}, Unit: 1})
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range r.Findings {
		if f.Verdict != Decided && strings.Contains(f.Why, "candidates remain") {
			t.Errorf("the mirror of a list was taken for another register: %s", f)
		}
	}
}

// Long work tells how far it is and how much longer it takes; short work keeps quiet.
func TestProgress(t *testing.T) {
	t.Parallel()
	talk, now := &script{}, time.Unix(0, 0)
	s := &Survey{Talk: talk, Now: func() time.Time { return now }}
	p := s.progress("holding registers", 100)
	for range 100 {
		now = now.Add(300 * time.Millisecond)
		p.step()
	}
	if len(talk.said) < 4 || talk.said[0] != "  holding registers: 7 %, about 28 s left" {
		t.Errorf("told %q", talk.said)
	}
	talk.said = nil
	for q := s.progress("reading", 5); q.done < 5; q.step() {
		now = now.Add(300 * time.Millisecond)
	}
	if len(talk.said) > 0 {
		t.Errorf("short work told %q", talk.said)
	}
}
