package modbus

import (
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"go.yaml.in/yaml/v3"

	"ebbwatch/collector/decode/decodetest"
	"ebbwatch/collector/reading"
)

// MODBUS leaves the order of two registers open; 12.8 as a float32 in the four orders that
// are met, and -123456 as a signed number: IEEE 754 and two's complement, by hand.
func TestPointDecodes(t *testing.T) {
	t.Parallel()
	const v, a = "battery_volts", "battery_amps"
	for _, tc := range []struct {
		name string
		reg  Register
		regs []uint16
		want float64 // NaN: not measured
		why  string  // refused
	}{
		{"u16", Register{Quantity: v, Scale: 0.01}, []uint16{1284}, 12.84, ""},
		{"s16 turned round", Register{Quantity: a, Type: "s16", Scale: -0.01}, []uint16{0xFF38}, 2, ""},
		{"offset", Register{Quantity: "battery_celsius", Scale: 0.1, Offset: -40}, []uint16{651}, 25.1, ""},
		{"f32 ABCD", Register{Quantity: v, Type: "f32"}, []uint16{0x414C, 0xCCCD}, 12.8, ""},
		{"f32 CDAB", Register{Quantity: v, Type: "f32", Words: "low_first"}, []uint16{0xCCCD, 0x414C}, 12.8, ""},
		{"f32 BADC", Register{Quantity: v, Type: "f32", Bytes: "low_first"}, []uint16{0x4C41, 0xCDCC}, 12.8, ""},
		{"f32 DCBA", Register{Quantity: v, Type: "f32", Words: "low_first", Bytes: "low_first"}, []uint16{0xCDCC, 0x4C41}, 12.8, ""},
		{"s32", Register{Quantity: a, Type: "s32", Scale: 0.001}, []uint16{0xFFFE, 0x1DC0}, -123.456, ""},
		{"u32", Register{Quantity: "pv_watts", Type: "u32", Scale: 0.01}, []uint16{0x0001, 0x86A0}, 1000, ""},
		{"f32 that is no number", Register{Quantity: v, Type: "f32"}, []uint16{0x7FC0, 0}, math.NaN(), ""},
		{"absent", Register{Quantity: v, Absent: []int64{0xFFFF}}, []uint16{0xFFFF}, math.NaN(), ""},
		{"absent, said as a negative number", Register{Quantity: a, Type: "s16", Absent: []int64{-32768}}, []uint16{0x8000}, math.NaN(), ""},
		{"absent, 32 bits", Register{Quantity: "pv_watts", Type: "u32", Absent: []int64{0xFFFFFFFF}}, []uint16{0xFFFF, 0xFFFF}, math.NaN(), ""},
		{"bits", Register{Quantity: "charge_state", Bits: "4..7", Values: map[string]string{"3": "float"}}, []uint16{0xFF3F}, float64(reading.Float), ""},
		{"one bit", Register{Quantity: "load_on", Bits: "0", Values: map[string]string{"0": "off", "1": "on"}}, []uint16{0x0101}, 1, ""},
		{"a state without a name", Register{Quantity: "charge_state", Values: map[string]string{"3": "float"}}, []uint16{9}, 0, "says 9"},
		{"sign forgotten", Register{Quantity: a, Scale: 0.01}, []uint16{0xFF38}, 0, "gives 653.36 A, outside -300 to 300 (raw 0xFF38)"},
		{"scale forgotten", Register{Quantity: v}, []uint16{1284}, 0, "gives 1284 V"},
		{"word order wrong", Register{Quantity: v, Type: "f32"}, []uint16{0xCCCD, 0x414C}, 0, "outside"},
		{"infinite", Register{Quantity: v, Type: "f32"}, []uint16{0x7F80, 0}, 0, "+Inf"},
		{"own limits", Register{Quantity: v, Scale: 0.01, Min: ptr(10.0), Max: ptr(16.0)}, []uint16{900}, 0, "outside 10 to 16"},
	} {
		p := (&Map{}).point(&tc.reg, func(key, what string) { t.Errorf("%s: %s: %s", tc.name, key, what) })
		x, known, why := p.decode(tc.regs)
		switch {
		case tc.why != "":
			if known || !strings.Contains(why, tc.why) {
				t.Errorf("%s: got %g, %v, %q, want %q", tc.name, x, known, why, tc.why)
			}
		case math.IsNaN(tc.want):
			if known || why != "" {
				t.Errorf("%s: got %g, %v, %q, want not measured", tc.name, x, known, why)
			}
		case !known || math.Abs(x-tc.want) > 1e-6*math.Abs(tc.want):
			t.Errorf("%s: got %g, %v, %q, want %g", tc.name, x, known, why, tc.want)
		}
	}
}

func ptr[T any](x T) *T { return &x }

func TestMapSaysWhatIsWrong(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct{ name, yaml, problem string }{
		{"no registers", "registers: []", "registers: "},
		{"no such quantity", "registers: [{quantity: volts, address: 1}]", `registers[0].quantity: "volts" is not a quantity`},
		{"mistyped quantity", "registers: [{quantity: battery_vlots, address: 1}]", `registers[0].quantity: "battery_vlots" is not a quantity (did you mean "battery_volts"?)`},
		{"twice", "registers: [{quantity: pv_volts, address: 1}, {quantity: pv_volts, address: 2}]",
			"registers[1].quantity: is already register 1 of this map: pv_volts"},
		{"before the first", "{base: 1, registers: [{quantity: pv_volts, address: 0}]}",
			"registers[0].address: 0 is outside 1..65536"},
		{"past the last", "registers: [{quantity: pv_volts, address: 65535, type: u32}]",
			"registers[0].address: 65535 is outside 0..65534"},
		{"bits of a signed number", "registers: [{quantity: pv_volts, address: 1, type: s16, bits: 3}]",
			"registers[0].bits: go with u16 and u32, not with s16"},
		{"bits past the end", "registers: [{quantity: load_on, address: 1, bits: 12..16}]",
			`registers[0].bits: cannot be bits of u16: "12..16"`},
		{"stage without names", "registers: [{quantity: charge_state, address: 1}]",
			"registers[0].values: is needed to read charge_state: which raw number is bulk, which float"},
		{"no such stage", "registers: [{quantity: charge_state, address: 1, values: {1: boost}}]",
			`registers[0].values: is not a state of charge_state: "boost"`},
		{"names for a measurement", "registers: [{quantity: pv_volts, address: 1, values: {1: on}}]",
			`registers[0].values: is not a state of pv_volts: "on"`},
		{"limits crossed", "registers: [{quantity: pv_volts, address: 1, min: 20, max: 10}]",
			"registers[0].max: is below min: 10"},
		{"forbidden and needed", "{forbidden: [5..9], registers: [{quantity: pv_volts, address: 7}]}",
			"registers[0].address: is forbidden in this map: 7"},
		{"no range", "{forbidden: [9..5], registers: [{quantity: pv_volts, address: 7}]}",
			`forbidden[0]: cannot be an address or a range such as 60..69: "9..5"`},
		{"one register at a time", "{max_registers: 1, registers: [{quantity: pv_volts, address: 7, type: u32}]}",
			"max_registers: is less than the 2 registers of pv_volts"},
		{"identity too long", "{max_registers: 4, identity: [{address: 1, count: 5}], registers: [{quantity: pv_volts, address: 7}]}",
			"identity[0].count: is more than the 4 registers of one answer"},
		{"identity of another length", "{identity: [{address: 1, count: 2, expect: [7]}], registers: [{quantity: pv_volts, address: 7}]}",
			"identity[0].expect: has 1 numbers for 2 registers"},
	} {
		s := decodetest.Section(t, tc.yaml, nil)
		if err := s.Decode(&Map{}); err == nil || !strings.HasPrefix(decodetest.Problems(s), tc.problem) {
			t.Errorf("%s: got %v (%v), want %s", tc.name, s.Problems(), err, tc.problem)
		}
	}
}

// The examples that people start from are good ones.
func TestExampleMapsAreGood(t *testing.T) {
	t.Parallel()
	paths, err := filepath.Glob("../../deploy/maps/*.yaml")
	if err != nil || len(paths) < 2 {
		t.Fatalf("only %q: %v", paths, err)
	}
	for _, path := range paths {
		text, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		var m Map
		s := decodetest.Section(t, string(text), nil)
		if err := s.Decode(&m); err != nil {
			t.Fatal(s.Problems())
		}
		l := m.compile(func(key, what string) { t.Errorf("%s: %s: %s", path, key, what) })
		if len(l.points) != len(m.Registers) || len(l.points) < 8 {
			t.Errorf("%s: %d of %d registers are usable", path, len(l.points), len(m.Registers))
		}
	}
}

// Whatever the file says, the map is refused or every point lies within the registers.
func FuzzMap(f *testing.F) {
	f.Add("registers: [{quantity: pv_volts, address: 1}]")
	f.Add("{base: 1, forbidden: [1..3], registers: [{quantity: load_on, address: 65536, bits: 3, values: {0x1: on}}]}")
	f.Add("{identity: [{address: 1, count: 125}], registers: [{quantity: pv_watts, address: 7, type: u32, absent: [-1]}]}")
	f.Fuzz(func(t *testing.T, text string) {
		var m Map
		if yaml.Unmarshal([]byte(text), &m) != nil {
			return
		}
		bad := 0
		l := m.compile(func(string, string) { bad++ })
		for _, p := range l.points {
			if p.span().to > 65536 || p.words > 2 {
				t.Errorf("point at %v", p.span())
			}
			p.decode(slices.Repeat([]uint16{0x8000}, p.words))
		}
		if bad == 0 && (len(l.points) != len(m.Registers) || len(l.points) == 0) {
			t.Errorf("no problem, but %d of %d registers", len(l.points), len(m.Registers))
		}
	})
}
