package modbus

import (
	"context"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/creack/pty"

	"ebbwatch/collector"
	"ebbwatch/collector/decode/decodetest"
	"ebbwatch/collector/needtest"
	"ebbwatch/collector/reading"
)

// cable joins two pseudo-terminals as a null-modem cable joins two ports.
func cable(t testing.TB) (ours, theirs string) {
	ours, theirs, _ = cableToPull(t)
	return ours, theirs
}

// cableToPull can be pulled out, as a USB adapter can.
func cableToPull(t testing.TB) (ours, theirs string, pull func()) {
	t.Helper()
	m1, s1, err := pty.Open()
	needtest.Need(t, "pseudo-terminals", err == nil)
	m2, s2, err := pty.Open()
	needtest.Need(t, "pseudo-terminals", err == nil)
	go func() { _, _ = io.Copy(m1, m2) }() // both end when the terminals are closed
	go func() { _, _ = io.Copy(m2, m1) }()
	pull = func() {
		for _, f := range []*os.File{s1, s2, m1, m2} {
			_ = f.Close()
		}
	}
	t.Cleanup(pull)
	return s1.Name(), s2.Name(), pull
}

// pymodbus is Debian's python3-pymodbus.
func pymodbus(t testing.TB) (name string, args []string) {
	return needtest.Python(t, "pymodbus.server.async_io"), []string{"testdata/pymodbus_slave.py"}
}

// libmodbus compiles the device against Debian's libmodbus-dev.
func libmodbus(t testing.TB) (name string, args []string) {
	t.Helper()
	cc := needtest.Program(t, "cc")
	_, err := os.Stat("/usr/include/modbus/modbus.h")
	needtest.Need(t, "libmodbus-dev", err == nil)
	exe := filepath.Join(t.TempDir(), "libmodbus_slave")
	out, err := exec.Command(cc, "-o", exe, "-I/usr/include/modbus", "testdata/libmodbus_slave.c", "-lmodbus").CombinedOutput()
	if err != nil {
		t.Fatalf("cannot compile: %v\n%s", err, out)
	}
	return exe, nil
}

const peerMap = `
max_registers: 20
identity: [{address: 2, count: 2}]
registers:
  - {quantity: battery_volts, address: 16, scale: 0.01}
  - {quantity: battery_amps, address: 17, type: s16, scale: -0.01}
  - {quantity: battery_celsius, address: 18, type: s16, scale: 0.1, absent: [0x7FFF]}
  - {quantity: pv_watts, table: input, address: 8, type: u32, words: low_first, scale: 0.01}
  - {quantity: pv_volts, table: input, address: 10, type: f32}
  - {quantity: charge_state, address: 30, bits: 4..7, values: {0: off, 1: bulk, 2: absorption}}
  - {quantity: load_on, address: 30, bits: 0, values: {0: off, 1: on}}
  - {quantity: load_volts, address: 60}
  - {quantity: air_celsius, address: 200}
`

// 12.84 V; 2 A out of the device's view, so 2 A into the battery; no probe; 45.67 W; 12.8 V
// as a float; absorption, load on; 1284 V without a scale.
func peerRegisters() []string {
	return []string{"h2=0x1234", "h3=0x5678", "h16=1284", "h17=0xFF38", "h18=0x7FFF", "h30=0x0021", "h60=1284",
		"i8=4567", "i9=0", "i10=0x414C", "i11=0xCCCD"}
}

// Devices written by others, over RTU, TCP, and RTU within TCP: every number is right, and
// what they refuse or what cannot be is told by name while the rest counts.
func TestPeers(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		name string
		peer func(testing.TB) (string, []string)
		how  string
	}{
		{"pymodbus rtu", pymodbus, "rtu"},
		{"pymodbus tcp", pymodbus, "tcp"},
		{"pymodbus rtu within tcp", pymodbus, "rtu_tcp"},
		{"libmodbus rtu", libmodbus, "rtu"},
		{"libmodbus tcp", libmodbus, "tcp"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			name, args := tc.peer(t)
			line := startOn(t, name, args, tc.how)
			s := decodetest.Section(t, "{"+line+", unit: 17, map: m.yaml}", map[string]string{"m.yaml": peerMap})
			src, err := NewKind().New(s)
			if err != nil {
				t.Fatal(err, s.Problems())
			}
			for range 3 {
				values, err := src.Read(t.Context())
				checkPeer(t, values, err)
			}
			other := decodetest.Section(t, "{"+line+", unit: 18, timeout: 200ms, map: m.yaml}", map[string]string{"m.yaml": peerMap})
			absent, err := NewKind().New(other)
			if err != nil {
				t.Fatal(err, other.Problems())
			}
			if strings.HasPrefix(tc.name, "libmodbus tcp") {
				return // it has one connection, and answers as any unit
			}
			ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second)
			defer cancel()
			if values, err := absent.Read(ctx); collector.KindOf(err) != collector.Timeout || len(values) > 0 {
				t.Errorf("a unit that is not there: got %v, %v", values, err)
			}
		})
	}
}

// startOn starts a peer and gives the setting that reaches it.
func startOn(t *testing.T, name string, args []string, how string) (setting string) {
	t.Helper()
	if how == "rtu" {
		ours, theirs := cable(t)
		needtest.Peer(t, name, append(append(args, how, theirs, "17"), peerRegisters()...)...)
		return "port: " + ours
	}
	port := needtest.Peer(t, name, append(append(args, how, "-", "17"), peerRegisters()...)...)
	return fmt.Sprintf("%s: \"127.0.0.1:%s\"", how, port)
}

func checkPeer(t *testing.T, values []reading.Value, err error) {
	t.Helper()
	wanted := map[reading.Quantity]float64{
		reading.BatteryVolts: 12.84, reading.BatteryAmps: 2, reading.PanelWatts: 45.67, reading.PanelVolts: 12.8,
		reading.ChargeStage: float64(reading.Absorption), reading.LoadOn: 1,
	}
	if len(values) != len(wanted) {
		t.Errorf("got %v", values)
	}
	for _, v := range values {
		if w, there := wanted[v.Quantity]; !there || math.Abs(v.X-w) > 1e-6*w {
			t.Errorf("%s: got %g, want %g", v.Quantity, v.X, w)
		}
	}
	for _, says := range []string{
		"cannot read holding register 200 of unit 17 at", "exception 2, no such register",
		"cannot believe load_volts: holding register 60 of unit 17 at", "gives 1284 V, outside -0.5 to 70",
	} {
		if err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("got error %v, want %s", err, says)
		}
	}
}

// A port that is pulled out and comes back under another number, with another device
// behind the same name: it is noticed, and nothing of it is believed.
func TestAnotherDeviceAfterReplugging(t *testing.T) {
	t.Parallel()
	name, args := pymodbus(t)
	ours, theirs, pull := cableToPull(t)
	needtest.Peer(t, name, append(append(args, "rtu", theirs, "17"), peerRegisters()...)...)
	byID := filepath.Join(t.TempDir(), "usb-0001")
	if err := os.Symlink(ours, byID); err != nil {
		t.Fatal(err)
	}
	b := NewBus(Settings{Port: byID, Mode: Mode{Baud: 9600}})
	src := newMapped(b, 17, peerLayout(t))
	values, err := src.Read(t.Context())
	checkPeer(t, values, err)

	ours2, theirs2 := cable(t)
	needtest.Peer(t, name, append(append(args, "rtu", theirs2, "17"), "h2=0x1234", "h3=0x9999", "h16=1111")...)
	if err := os.Remove(byID); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(ours2, byID); err != nil {
		t.Fatal(err)
	}
	pull()
	if values, err = src.Read(t.Context()); len(values) > 0 || collector.KindOf(err) != collector.Port {
		t.Errorf("pulled out: got %v, %v", values, err)
	}
	values, err = src.Read(t.Context())
	if len(values) > 0 || err == nil || !strings.Contains(err.Error(), "another device answers there") {
		t.Errorf("got %v, %v", values, err)
	}
	if values, err = src.Read(t.Context()); len(values) > 0 || err == nil {
		t.Errorf("the second time: got %v, %v", values, err)
	}
}

func peerLayout(t *testing.T) layout {
	t.Helper()
	var m Map
	s := decodetest.Section(t, peerMap, nil)
	if err := s.Decode(&m); err != nil {
		t.Fatal(s.Problems())
	}
	return m.compile(func(key, what string) { t.Errorf("%s: %s", key, what) })
}
