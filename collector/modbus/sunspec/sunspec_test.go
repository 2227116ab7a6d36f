package sunspec_test

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"

	"ebbwatch/collector"
	"ebbwatch/collector/modbus/sunspec"
	"ebbwatch/collector/needtest"
	"ebbwatch/collector/reading"
)

// definition is one point of a published model.
type definition struct {
	offset, size   int
	name, kind, sf string
}

// definitions reads testdata/points.txt: the published definitions, github.com/sunspec/models
// at 7abdf898 (Apache-2.0).
func definitions(t testing.TB) map[int][]definition {
	t.Helper()
	f, err := os.Open("testdata/points.txt")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }()
	models := map[int][]definition{}
	for in := bufio.NewScanner(f); in.Scan(); {
		field := strings.Fields(in.Text())
		if len(field) == 0 || field[0] == "#" {
			continue
		}
		n := func(i int) int {
			x, err := strconv.Atoi(field[i])
			if err != nil {
				t.Fatalf("%s: %v", in.Text(), err)
			}
			return x
		}
		models[n(0)] = append(models[n(0)], definition{n(1), n(2), field[3], field[4], strings.Trim(field[5], "-")})
	}
	return models
}

// image is the registers of a device, built by the names of the published points.
type image struct {
	t      testing.TB
	models map[int][]definition
	regs   map[uint16]uint16
	next   int
	chunks [][2]int // first address and length of what was asked
}

func newImage(t testing.TB, base int) *image {
	m := &image{t: t, models: definitions(t), regs: map[uint16]uint16{}, next: base + 2}
	m.regs[uint16(base)], m.regs[uint16(base+1)] = 0x5375, 0x6E53
	return m
}

// notImplemented is what a point holds that a device does not have: the standard's
// Device Information Model.
func notImplemented(kind string) uint16 {
	switch kind {
	case "int16", "sunssf":
		return 0x8000
	case "acc32", "string", "pad":
		return 0
	}
	return 0xFFFF
}

// add appends a model with the given points; the others are not implemented. Points of the
// repeating group are named "group.Name#1" for the first one.
func (m *image) add(model, length int, points map[string]int) {
	m.t.Helper()
	at := m.next
	for i := range length + 2 {
		m.regs[uint16(at+i)] = 0xFFFF
	}
	first, last, used := 0, 0, 0
	for _, d := range m.models[model] {
		if strings.Contains(d.name, ".") {
			if first == 0 {
				first = d.offset
			}
			last = d.offset + d.size
		}
	}
	for _, d := range m.models[model] {
		for k := 0; ; k++ {
			name, off := d.name, d.offset
			if strings.Contains(d.name, ".") {
				name, off = fmt.Sprintf("%s#%d", d.name, k+1), d.offset+k*(last-first)
			} else if k > 0 {
				break
			}
			if off+d.size > length+2 {
				break
			}
			for i := range d.size {
				m.regs[uint16(at+off+i)] = notImplemented(d.kind)
			}
			if x, there := points[name]; there {
				m.regs[uint16(at+off+d.size-1)] = uint16(x)
				used++
			}
		}
	}
	if used != len(points) {
		m.t.Fatalf("model %d: %d of %d points are published: %v", model, used, len(points), points)
	}
	m.regs[uint16(at)], m.regs[uint16(at+1)] = uint16(model), uint16(length)
	m.next = at + length + 2
}

// unknown appends a model that is not published, full of numbers that could mislead.
func (m *image) unknown(model, length int) {
	for i := range length {
		m.regs[uint16(m.next+2+i)] = 1234
	}
	m.regs[uint16(m.next)], m.regs[uint16(m.next+1)] = uint16(model), uint16(length)
	m.next += length + 2
}

func (m *image) text(model, length int, texts map[string]string) {
	at := m.next
	m.add(model, length, nil)
	for _, d := range m.models[model] {
		for i, c := range []byte(texts[d.name]) {
			m.regs[uint16(at+d.offset+i/2)] |= uint16(c) << (8 * (1 - i%2))
		}
	}
}

func (m *image) end() *image {
	m.regs[uint16(m.next)], m.regs[uint16(m.next+1)] = 0xFFFF, 0
	return m
}

// read refuses registers that are not there, as a device does.
func (m *image) read(_ context.Context, addr uint16, count int) ([]uint16, error) {
	m.chunks = append(m.chunks, [2]int{int(addr), count})
	out := make([]uint16, count)
	for i := range out {
		v, there := m.regs[addr+uint16(i)]
		if !there {
			return nil, collector.Errorf(collector.Exception, "exception 2 at %d", int(addr)+i)
		}
		out[i] = v
	}
	return out, nil
}

func sf(x int) int { return x & 0xFFFF }

// battery is model 802 of a 12.8 V battery.
func battery(more map[string]int) map[string]int {
	p := map[string]int{"SoC": 655, "SoC_SF": sf(-1), "V": 1328, "V_SF": sf(-2), "A": sf(-157), "A_SF": sf(-2)}
	for k, v := range more {
		p[k] = v
	}
	return p
}

type expected struct {
	name    string
	current sunspec.Current
	build   func(m *image)
	want    map[reading.Quantity]float64
	suspect reading.Quantity // 0 is battery_volts, which is never doubted
	refused string
}

// The published layouts, filled by the names of their points, give our quantities.
func TestModelsBecomeQuantities(t *testing.T) {
	t.Parallel()
	for _, tc := range []expected{
		{"battery that is discharging", sunspec.Unknown, func(m *image) { m.add(802, 62, battery(map[string]int{"ChaSt": 3})) },
			map[reading.Quantity]float64{reading.BatteryVolts: 13.28, reading.BatteryAmps: -1.57, reading.ControllerSoC: 0.655}, 0, ""},
		{"battery that is charging", sunspec.Unknown, func(m *image) { m.add(802, 62, battery(map[string]int{"ChaSt": 4})) },
			map[reading.Quantity]float64{reading.BatteryVolts: 13.28, reading.BatteryAmps: 1.57, reading.ControllerSoC: 0.655}, 0, ""},
		{"current counted out of the battery", sunspec.OutOf, func(m *image) { m.add(802, 62, battery(nil)) },
			map[reading.Quantity]float64{reading.BatteryVolts: 13.28, reading.BatteryAmps: 1.57, reading.ControllerSoC: 0.655}, 0, ""},
		{"current of unknown sign", sunspec.Unknown, func(m *image) { m.add(802, 62, battery(nil)) },
			map[reading.Quantity]float64{reading.BatteryVolts: 13.28, reading.BatteryAmps: -1.57, reading.ControllerSoC: 0.655}, reading.BatteryAmps, ""},
		{"no scale factor", sunspec.Into, func(m *image) { m.add(802, 62, battery(map[string]int{"V_SF": 0x8000, "SoC_SF": 0x8000})) },
			map[reading.Quantity]float64{reading.BatteryAmps: -1.57}, 0, ""},
		{"scale factor out of range", sunspec.Into, func(m *image) { m.add(802, 62, battery(map[string]int{"V_SF": 11})) },
			map[reading.Quantity]float64{reading.BatteryAmps: -1.57, reading.ControllerSoC: 0.655}, 0, ""},
		{"not implemented", sunspec.Into, func(m *image) { m.add(802, 62, battery(map[string]int{"V": 0xFFFF, "A": 0x8000, "SoC": 0xFFFF})) }, nil, 0, ""},
		{"impossible", sunspec.Into, func(m *image) { m.add(802, 62, battery(map[string]int{"V_SF": 0})) },
			map[reading.Quantity]float64{reading.BatteryAmps: -1.57, reading.ControllerSoC: 0.655}, 0, "cannot believe battery_volts: SunSpec model 802 gives 1328 V, outside 0 to 70"},
		{"lithium bank", sunspec.Into, func(m *image) {
			m.add(803, 26, map[string]int{"ModTmpMax": 93, "ModTmpMin": sf(-12), "ModTmpAvg": 41, "ModTmp_SF": sf(-1)})
		}, map[reading.Quantity]float64{reading.BatteryCelsius: 4.1}, 0, ""},
		{"lithium bank, mean without the scale", sunspec.Into, func(m *image) {
			m.add(803, 26, map[string]int{"ModTmpMax": 93, "ModTmpMin": 30, "ModTmpAvg": 4, "ModTmp_SF": sf(-1)})
		}, nil, 0, ""},
		{"lithium bank, mean not implemented when it was unsigned", sunspec.Into, func(m *image) {
			m.add(803, 26, map[string]int{"ModTmpMax": 93, "ModTmpMin": sf(-30), "ModTmpAvg": 0xFFFF, "ModTmp_SF": sf(-1)})
		}, nil, 0, ""},
		{"storage capacity", sunspec.Unknown, func(m *image) { m.add(713, 7, map[string]int{"SoC": 71, "Pct_SF": 0}) },
			map[reading.Quantity]float64{reading.ControllerSoC: 0.71}, 0, ""},
		{"storage of an inverter", sunspec.Unknown, func(m *image) {
			m.add(124, 24, map[string]int{"ChaState": 505, "ChaState_SF": sf(-1), "InBatV": 132, "InBatV_SF": sf(-1)})
		}, map[reading.Quantity]float64{reading.ControllerSoC: 0.505, reading.BatteryVolts: 13.2}, 0, ""},
		{"one panel input", sunspec.Unknown, func(m *image) {
			m.add(160, 28, map[string]int{"N": 1, "DCA_SF": sf(-2), "DCV_SF": sf(-1), "DCW_SF": 0, "module.DCA#1": 231, "module.DCV#1": 362, "module.DCW#1": 84})
		}, map[reading.Quantity]float64{reading.PanelAmps: 2.31, reading.PanelVolts: 36.2, reading.PanelWatts: 84}, 0, ""},
		{"two panel inputs, of three", sunspec.Unknown, func(m *image) {
			m.add(160, 68, map[string]int{"N": 3, "DCA_SF": sf(-2), "DCV_SF": sf(-1), "DCW_SF": 0, "module.DCA#1": 231, "module.DCV#1": 362,
				"module.DCW#1": 84, "module.DCA#3": 100, "module.DCV#3": 350, "module.DCW#3": 35})
		}, map[reading.Quantity]float64{reading.PanelAmps: 3.31, reading.PanelWatts: 119}, 0, ""},
		{"a sum with a part missing", sunspec.Unknown, func(m *image) {
			m.add(160, 48, map[string]int{"N": 2, "DCA_SF": sf(-2), "DCV_SF": sf(-1), "DCW_SF": 0, "module.DCA#1": 231, "module.DCW#1": 84, "module.DCW#2": 35})
		}, map[reading.Quantity]float64{reading.PanelWatts: 119}, 0, ""},
		{"a panel and a battery port", sunspec.Into, func(m *image) {
			m.add(714, 68, map[string]int{"NPrt": 2, "DCA_SF": sf(-2), "DCV_SF": sf(-2), "DCW_SF": sf(-1), "Prt.PrtTyp#1": 0, "Prt.DCA#1": 231,
				"Prt.DCV#1": 3620, "Prt.DCW#1": 836, "Prt.PrtTyp#2": 1, "Prt.DCA#2": sf(-120), "Prt.DCV#2": 1331})
		}, map[reading.Quantity]float64{reading.PanelAmps: 2.31, reading.PanelVolts: 36.2, reading.PanelWatts: 83.6,
			reading.BatteryVolts: 13.31, reading.BatteryAmps: -1.2}, 0, ""},
		{"two panels with electronics", sunspec.Unknown, func(m *image) {
			for range 2 {
				m.add(502, 28, map[string]int{"A_SF": sf(-2), "V_SF": sf(-1), "W_SF": 0, "InA": 400, "InV": 180, "InW": 72, "OutA": 500, "OutV": 140, "OutPw": 70})
			}
		}, map[reading.Quantity]float64{reading.PanelAmps: 8, reading.PanelWatts: 144}, 0, ""},
		{"two models tell of one thing", sunspec.Into, func(m *image) {
			m.add(713, 7, map[string]int{"SoC": 71, "Pct_SF": 0})
			m.add(802, 62, battery(nil))
			m.add(124, 24, map[string]int{"ChaState": 505, "ChaState_SF": sf(-1), "InBatV": 132, "InBatV_SF": sf(-1)})
		}, map[reading.Quantity]float64{reading.BatteryVolts: 13.28, reading.BatteryAmps: -1.57, reading.ControllerSoC: 0.655}, 0, ""},
		{"models that nobody knows", sunspec.Into, func(m *image) {
			m.unknown(64110, 200)
			m.add(713, 7, map[string]int{"SoC": 71, "Pct_SF": 0})
			m.unknown(199, 1)
		}, map[reading.Quantity]float64{reading.ControllerSoC: 0.71}, 0, ""},
	} {
		for _, base := range []int{40000, 50000, 0} {
			m := newImage(t, base)
			m.text(1, 66, map[string]string{"Mn": "boathouse", "Md": "relay", "SN": "0042"})
			tc.build(m)
			tc.check(t, base, m.end())
		}
	}
}

func (tc expected) check(t *testing.T, base int, m *image) {
	t.Helper()
	r := sunspec.NewReader(tc.current)
	values, err := r.Read(t.Context(), m.read)
	if tc.refused == "" && err != nil || tc.refused != "" && (err == nil || err.Error() != tc.refused) {
		t.Errorf("%s at %d: got error %v, want %q", tc.name, base, err, tc.refused)
	}
	if got := r.Device().String(); got != "boathouse relay, serial number 0042" {
		t.Errorf("%s at %d: the device is %s", tc.name, base, got)
	}
	if len(values) != len(tc.want) {
		t.Errorf("%s at %d: got %v, want %v", tc.name, base, values, tc.want)
	}
	for _, v := range values {
		want, there := tc.want[v.Quantity]
		if !there || math.Abs(v.X-want) > 1e-9 {
			t.Errorf("%s at %d: %s is %g, want %g", tc.name, base, v.Quantity, v.X, want)
		}
		if (v.Suspect != "") != (tc.suspect != 0 && v.Quantity == tc.suspect) {
			t.Errorf("%s at %d: %s is doubted: %q", tc.name, base, v.Quantity, v.Suspect)
		}
	}
	for _, c := range m.chunks {
		if c[1] > 125 {
			t.Errorf("%s: asked for %d registers at once", tc.name, c[1])
		}
	}
}

// The copy in testdata is the published one.
func TestDefinitionsAreThePublishedOnes(t *testing.T) {
	t.Parallel()
	entries := published(t)
	compared := 0
	for model, ours := range definitions(t) {
		var theirs []definition
		for _, p := range entries[fmt.Sprintf("ss.model%d", model)] {
			if size, err := strconv.Atoi(fmt.Sprint(p.Size)); err == nil {
				theirs = append(theirs, definition{p.Offset, size, p.Name, p.Type, p.SF})
			}
		}
		if !slices.Equal(ours, theirs) {
			t.Errorf("model %d differs:\n%v\n%v", model, ours, theirs)
		}
		compared++
	}
	if compared != 8 {
		t.Errorf("compared %d models", compared)
	}
}

type publishedPoint struct {
	Offset         int
	Name, Type, SF string
	Size           any
}

// published reads the check values beside the project.
func published(t *testing.T) map[string][]publishedPoint {
	t.Helper()
	text, err := os.ReadFile(needtest.Data(t, "check_values.json"))
	if err != nil {
		t.Fatal(err)
	}
	var all struct {
		Entries []struct {
			ID       string
			Expected json.RawMessage
		}
	}
	if err := json.Unmarshal(text, &all); err != nil {
		t.Fatal(err)
	}
	out := map[string][]publishedPoint{}
	for _, e := range all.Entries {
		if strings.HasPrefix(e.ID, "ss.model") {
			var points []publishedPoint
			if err := json.Unmarshal(e.Expected, &points); err != nil {
				t.Fatal(err)
			}
			out[e.ID] = points
		}
	}
	return out
}

// The published example of the chain: model 1 at 40002 with 66 registers puts the next
// header at 40070; with 65, as some devices have it, at 40069.
func TestChain(t *testing.T) {
	t.Parallel()
	for length, next := range map[int]uint16{66: 40070, 65: 40069} {
		m := newImage(t, 40000)
		m.add(1, length, nil)
		m.add(713, 7, nil)
		d, err := sunspec.Find(t.Context(), m.end().read)
		if err != nil || len(d.Models) != 2 || d.Models[1].At != next || d.Base != 40000 {
			t.Errorf("length %d: got %+v, %v", length, d, err)
		}
	}
}

func TestChainsThatCannotBeFollowed(t *testing.T) {
	t.Parallel()
	timeout := collector.Errorf(collector.Timeout, "no answer")
	for _, tc := range []struct {
		name string
		read sunspec.ReadFunc
		says string
	}{
		{"no marker", (&image{regs: map[uint16]uint16{}}).read, "cannot find the SunSpec marker at 40000, 50000 or 0"},
		{"no answer", func(context.Context, uint16, int) ([]uint16, error) { return nil, timeout }, "cannot look for the SunSpec marker: no answer"},
		{"no end", func() sunspec.ReadFunc {
			m := newImage(t, 0)
			for range 120 {
				m.unknown(9, 1)
			}
			return m.read
		}(), "100 and no end"},
		{"length nought", func() sunspec.ReadFunc { m := newImage(t, 0); m.unknown(9, 0); return m.read }(), "at 2 stands model 9 of length 0"},
		{"past the last register", func() sunspec.ReadFunc {
			m := newImage(t, 50000)
			m.regs[50002], m.regs[50003] = 9, 20000
			return m.read
		}(), "of length 20000"},
		{"torn off", func() sunspec.ReadFunc { m := newImage(t, 0); m.unknown(9, 3); return m.read }(), "exception 2"},
	} {
		_, err := sunspec.Find(t.Context(), tc.read)
		if err == nil || !strings.Contains(err.Error(), tc.says) {
			t.Errorf("%s: got %v, want %s", tc.name, err, tc.says)
		}
	}
}

// Another device behind the same address is not believed; a chain that has moved, as after
// an update of the device, is followed anew.
func TestDeviceIsKnownAgain(t *testing.T) {
	t.Parallel()
	build := func(serial string, extra bool) *image {
		m := newImage(t, 40000)
		m.text(1, 66, map[string]string{"Mn": "boathouse", "Md": "relay", "SN": serial})
		if extra {
			m.unknown(64001, 30)
		}
		m.add(713, 7, map[string]int{"SoC": 71, "Pct_SF": 0})
		return m.end()
	}
	r := sunspec.NewReader(sunspec.Unknown)
	if _, err := r.Read(t.Context(), build("1", false).read); err != nil {
		t.Fatal(err)
	}
	if err := r.Verify(t.Context(), build("2", false).read); err == nil || !strings.Contains(err.Error(), "another device answers") {
		t.Errorf("another device: got %v", err)
	}
	moved := build("1", true)
	if values, err := r.Read(t.Context(), moved.read); len(values) > 0 || err == nil {
		t.Errorf("a chain that has moved: got %v, %v", values, err)
	}
	if values, err := r.Read(t.Context(), moved.read); len(values) != 1 || err != nil {
		t.Errorf("the poll after: got %v, %v", values, err)
	}
}

// The sign is learned from a battery that says what it is doing, and forgotten for one that
// gives no sign at all.
func TestSignIsLearned(t *testing.T) {
	t.Parallel()
	at := func(amps, state int) *image {
		m := newImage(t, 40000)
		m.add(1, 66, nil)
		m.add(802, 62, battery(map[string]int{"A": sf(amps), "ChaSt": state}))
		return m.end()
	}
	const discharging, charging, holding = 3, 4, 6
	type look struct {
		amps, state int
		want        float64
		doubted     bool
	}
	for name, looks := range map[string][]look{
		"counts out":         {{150, holding, 1.5, true}, {150, discharging, -1.5, false}, {-100, charging, 1, false}, {150, holding, -1.5, false}},
		"counts in":          {{150, charging, 1.5, false}, {-30, holding, -0.3, false}},
		"has no sign":        {{150, charging, 1.5, false}, {150, discharging, -1.5, false}, {150, holding, 1.5, true}},
		"too little to tell": {{5, discharging, -0.05, false}, {150, holding, 1.5, true}},
	} {
		r := sunspec.NewReader(sunspec.Unknown)
		for i, l := range looks {
			values, err := r.Read(t.Context(), at(l.amps, l.state).read)
			k := slices.IndexFunc(values, func(v reading.Value) bool { return v.Quantity == reading.BatteryAmps })
			if err != nil || k < 0 || math.Abs(values[k].X-l.want) > 1e-9 || (values[k].Suspect != "") != l.doubted {
				t.Errorf("%s, look %d: got %v, %v, want %+v", name, i, values, err, l)
			}
		}
	}
}

// Whatever registers a device holds: no panic, and what is given is possible.
func FuzzRead(f *testing.F) {
	m := newImage(f, 0)
	m.add(1, 66, nil)
	m.add(802, 62, battery(nil))
	m.add(714, 43, map[string]int{"NPrt": 1})
	m.end()
	var seed []byte
	for i := range m.next + 2 {
		v := m.regs[uint16(i)]
		seed = append(seed, byte(v>>8), byte(v))
	}
	f.Add(seed)
	f.Add([]byte{0x53, 0x75, 0x6E, 0x53, 0, 160, 0, 28})
	f.Fuzz(func(t *testing.T, p []byte) {
		read := func(_ context.Context, addr uint16, count int) ([]uint16, error) {
			out := make([]uint16, count)
			for i := range out {
				at := 2 * (int(addr) + i)
				if at+1 >= len(p) {
					return nil, collector.Errorf(collector.Exception, "exception 2")
				}
				out[i] = uint16(p[at])<<8 | uint16(p[at+1])
			}
			return out, nil
		}
		values, _ := sunspec.NewReader(sunspec.Unknown).Read(t.Context(), read)
		for _, v := range values {
			info := reading.Quantities()[v.Quantity]
			if !(v.X >= info.Min && v.X <= info.Max) {
				t.Errorf("%s is %g", v.Quantity, v.X)
			}
		}
	})
}
