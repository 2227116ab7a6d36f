package sunspec_test

import (
	"fmt"
	"math"
	"testing"

	"ebbwatch/collector/decode/decodetest"
	"ebbwatch/collector/modbus"
	"ebbwatch/collector/needtest"
	"ebbwatch/collector/reading"
)

// serve lets Debian's python3-pymodbus serve an image over TCP, and returns its address.
func serve(t *testing.T, m *image) string {
	t.Helper()
	python := needtest.Python(t, "pymodbus.server.async_io")
	args := []string{"../testdata/pymodbus_slave.py", "tcp", "-", "3"}
	for at, v := range m.regs {
		args = append(args, fmt.Sprintf("h%d=%d", at, v))
	}
	return "127.0.0.1:" + needtest.Peer(t, python, args...)
}

// The whole way: published layouts, served by a device written by others, read by a source
// as a configuration names it.
func TestOverTheWire(t *testing.T) {
	t.Parallel()
	m := newImage(t, 40000)
	m.text(1, 66, map[string]string{"Mn": "boathouse", "Md": "relay", "SN": "0042"})
	m.unknown(64110, 150)
	m.add(802, 62, battery(map[string]int{"ChaSt": 4}))
	m.add(160, 128, map[string]int{"N": 6, "DCA_SF": sf(-2), "DCV_SF": sf(-1), "DCW_SF": 0, "module.DCA#6": 231, "module.DCV#6": 362, "module.DCW#6": 84})
	address := serve(t, m.end())
	s := decodetest.Section(t, fmt.Sprintf("{tcp: %q, unit: 3, map: sunspec}", address), nil)
	src, err := modbus.NewKind().New(s)
	if err != nil {
		t.Fatal(err, s.Problems())
	}
	want := map[reading.Quantity]float64{reading.BatteryVolts: 13.28, reading.BatteryAmps: 1.57, reading.ControllerSoC: 0.655,
		reading.PanelAmps: 2.31, reading.PanelVolts: 36.2, reading.PanelWatts: 84}
	for range 2 {
		values, err := src.Read(t.Context())
		if err != nil || len(values) != len(want) {
			t.Errorf("got %v, %v", values, err)
		}
		for _, v := range values {
			if w, there := want[v.Quantity]; !there || math.Abs(v.X-w) > 1e-9 || v.Suspect != "" {
				t.Errorf("%s: got %g (%s), want %g", v.Quantity, v.X, v.Suspect, w)
			}
		}
	}
}
