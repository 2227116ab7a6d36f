package modbus

import (
	"math"
	"os"
	"regexp"
	"strings"
	"testing"

	"ebbwatch/collector/decode/decodetest"
	"ebbwatch/collector/needtest"
)

// Each way in which a map can name a number, against a device written in another language. The
// raw numbers are worked out by hand; devices that speak like this are met in the field, their
// addresses here are invented.
func TestMapLanguage(t *testing.T) {
	t.Parallel()
	python := needtest.Python(t)
	for _, tc := range []struct {
		name, yaml, tables, exact string
		want                      []string // quantity value; or a part of the error
	}{
		{"direction in another register", "registers: [{quantity: battery_amps, address: 17, scale: 0.01, sign: {address: 40, bits: 3}}]",
			`{"holding": {"17": 250, "40": 8}}`, "", []string{"battery_amps -2.5"}},
		{"direction the other way", "registers: [{quantity: battery_amps, address: 17, scale: 0.01, sign: {address: 40, bits: 0..3, when: 2}}]",
			`{"holding": {"17": 250, "40": 1}}`, "", []string{"battery_amps 2.5"}},
		{"sign and magnitude", "registers: [{quantity: battery_amps, address: 17, bits: 0..14, scale: 0.1, sign: {bits: 15}}]",
			`{"holding": {"17": 32788}}`, "", []string{"battery_amps -2"}},
		{"two one-way registers", "registers: [{quantity: battery_amps, address: 20, minus_address: 60, scale: 0.01}]",
			`{"holding": {"20": 0, "60": 180}}`, "", []string{"battery_amps -1.8"}},
		{"a signed byte", "registers: [{quantity: battery_celsius, address: 5, type: s8}, {quantity: controller_celsius, address: 6, type: s8, bytes: low_first}]",
			`{"holding": {"5": 4603, "6": 63233}}`, "", []string{"battery_celsius -5", "controller_celsius -9"}},
		{"halves that lie apart", "registers: [{quantity: pv_watts, address: 30, type: u32, low_address: 90, scale: 0.01}]",
			`{"holding": {"30": 1, "90": 34464}}`, "", []string{"pv_watts 1000"}},
		{"decimal digits", "registers: [{quantity: battery_volts, address: 1, type: bcd16, scale: 0.01}, {quantity: pv_watts, address: 2, type: bcd32, scale: 0.01}]",
			`{"holding": {"1": 4740, "2": 18, "3": 13398}}`, "", []string{"battery_volts 12.84", "pv_watts 1234.56"}},
		{"no decimal digits", "registers: [{quantity: battery_volts, address: 1, type: bcd16, scale: 0.01}]",
			`{"holding": {"1": 4831}}`, "", []string{"holds 0x12DF, which is no decimal number: is its type bcd?"}},
		{"four digits a register", "registers: [{quantity: pv_watts, address: 1, type: dec32, scale: 0.01}]",
			`{"holding": {"1": 12, "2": 3456}}`, "", []string{"pv_watts 1234.56"}},
		{"scale in a register", "registers: [{quantity: battery_volts, address: 1, exponent_address: 50}]",
			`{"holding": {"1": 1284, "50": 65534}}`, "", []string{"battery_volts 12.84"}},
		{"a scale that cannot be", "registers: [{quantity: battery_volts, address: 1, exponent_address: 50}]",
			`{"holding": {"1": 1284, "50": 32768}}`, "", []string{"has the scale 10^-32768 in its register 50"}},
		{"coils and discrete inputs", "registers: [{quantity: load_on, table: coil, address: 3}, {quantity: charge_state, table: discrete, address: 9, values: {0: off, 1: bulk}}]",
			`{"coil": {"3": 1}, "discrete": {"9": 1}}`, "", []string{"charge_state 1", "load_on 1"}},
		{"whole blocks", "blocks: [{address: 10, count: 4}, {address: 80, count: 3}]\nregisters: [{quantity: battery_volts, address: 11, scale: 0.1}, {quantity: pv_volts, address: 82}]",
			`{"holding": {"10": 0, "11": 128, "12": 0, "13": 0, "80": 0, "81": 0, "82": 31}}`, "[[10, 4], [80, 3]]",
			[]string{"battery_volts 12.8", "pv_volts 31"}},
		{"numbered", "addresses: numbered\nregisters: [{quantity: battery_volts, address: 40012, scale: 0.01}, {quantity: pv_volts, address: 30011}, {quantity: load_on, address: 10004}]",
			`{"holding": {"11": 1284}, "input": {"10": 31}, "discrete": {"3": 1}}`, "", []string{"battery_volts 12.84", "load_on 1", "pv_volts 31"}},
		{"numbered, in an error", "addresses: numbered\nregisters: [{quantity: battery_volts, address: 40012}]",
			`{"holding": {}}`, "", []string{"cannot read holding register 40012 of unit 1"}},
		{"counted on the wire", "addresses: wire\nregisters: [{quantity: battery_volts, address: 40012, scale: 0.01}]",
			`{"holding": {"40012": 1284}}`, "", []string{"battery_volts 12.84"}},
		{"identity as text", "identity: [{address: 2, count: 3, text: SLIP7}]\nregisters: [{quantity: battery_volts, address: 1, scale: 0.01}]",
			`{"holding": {"1": 1284, "2": 21324, "3": 18768, "4": 14080}}`, "", []string{"battery_volts 12.84"}},
		{"another identity", "identity: [{address: 2, count: 3, text: SLIP8}]\nregisters: [{quantity: battery_volts, address: 1}]",
			`{"holding": {"1": 1284, "2": 21324, "3": 18768, "4": 14080}}`, "", []string{`is "SLIP7" instead of "SLIP8"`}},
		{"the usual codes for not measured", "registers: [{quantity: pv_amps, address: 1, scale: 0.001}, {quantity: charge_amps, address: 2, type: s16, scale: 0.001}, {quantity: pv_watts, address: 3, type: u32, scale: 0.00001}]",
			`{"holding": {"1": 32767, "2": 32768, "3": 65535, "4": 65535}}`, "", nil},
		{"codes of its own", "registers: [{quantity: pv_amps, address: 1, scale: 0.001, absent: [0xFFFE]}]",
			`{"holding": {"1": 32767}}`, "", []string{"pv_amps 32.767"}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			args := []string{"testdata/language_slave.py", tc.tables}
			if tc.exact != "" {
				args = append(args, tc.exact)
			}
			line := `{tcp: "127.0.0.1:` + needtest.Peer(t, python, args...) + `", map: m.yaml}`
			s := decodetest.Section(t, line, map[string]string{"m.yaml": tc.yaml})
			src, err := NewKind().New(s)
			if err != nil {
				t.Fatal(err)
			}
			values, err := src.Read(t.Context())
			for i := range values {
				values[i].X = math.Round(values[i].X*1e6) / 1e6
			}
			got := strings.Join(quantities(values), ", ")
			if want := strings.Join(tc.want, ", "); got != want && (err == nil || got != "" || !strings.Contains(err.Error(), want)) {
				t.Errorf("got %q, %v, want %q", got, err, want)
			}
		})
	}
}

// What a map says wrongly is told with its place and the way out.
func TestMapLanguageMistakes(t *testing.T) {
	t.Parallel()
	for yaml, want := range map[string]string{
		"registers: [{quantity: pv_volts, address: 30011}]":                                          "addresses: must be said: 30011 may be counted on the wire (addresses: wire), or be input register 10 in the numbering that begins at 30001 (addresses: numbered)",
		"registers: [{quantity: pv_volts, address: 40012, table: input}]":                            "addresses: must be said: 40012 may be counted on the wire (addresses: wire), or be holding register 11 in the numbering that begins at 40001 (addresses: numbered)",
		"{addresses: numbered, registers: [{quantity: pv_volts, address: 20011}]}":                   "registers[0].address: 20011 is no number of a register: those of coils begin at 1, of discrete inputs at 10001, of input registers at 30001, of holding registers at 40001",
		"{addresses: numbered, registers: [{quantity: pv_volts, address: 40011, table: input}]}":     "registers[0].address: 40011 is the number of a holding register, and the table is input",
		"registers: [{quantity: pv_watts, address: 1, low_address: 9}]":                              "registers[0].low_address: goes with 32 bits, not with u16",
		"registers: [{quantity: pv_watts, address: 1, type: u32, low_address: 9, minus_address: 7}]": "registers[0].minus_address: cannot go with low_address",
		"registers: [{quantity: battery_amps, address: 1, sign: {bits: 16}}]":                        `registers[0].sign.bits: cannot be bits of a register: "16"`,
		"registers: [{quantity: battery_amps, address: 1, sign: {bits: 3, when: 2}}]":                "registers[0].sign.when: cannot be: bits 3 hold at most 1",
		"registers: [{quantity: battery_amps, address: 1, sign: {when: 2}}]":                         "registers[0].sign.bits is missing",
		"registers: [{quantity: load_on, address: 1, values: {1: on}, exponent_address: 3}]":         "registers[0].values: name states, which have no sign and no scale",
		"registers: [{quantity: load_on, table: coil, address: 1, type: u32}]":                       "registers[0].type: cannot be u32: a coil is a single bit",
		"{blocks: [{address: 10, count: 4}], registers: [{quantity: pv_volts, address: 14}]}":        "registers[0].address: is in none of the blocks of this map: 14",
		"{blocks: [{address: 65535, count: 4}], registers: [{quantity: pv_volts, address: 1}]}":      "blocks[0].address: 65535 is outside 0..65532",
		"{identity: [{address: 2, text: SLIP7}], registers: [{quantity: pv_volts, address: 1}]}":     "identity[0].text: has 5 characters, and 1 registers hold 2",
		"registers: [{quantity: load_amps, address: 1, every: 10m}]":                                 "registers[0].every: cannot go with load_amps: what flows is counted from poll to poll",
		"registers: [{quantity: pv_watts, address: 1, type: bcd}]":                                   `type: "bcd" is not one of u8, s8, u16, s16, u32, s32, f32, bcd16, bcd32, dec32`,
	} {
		s := decodetest.Section(t, yaml, nil)
		if err := s.Decode(&Map{}); err == nil || !strings.HasPrefix(decodetest.Problems(s), want) {
			t.Errorf("%s:\n got %s\nwant %s", yaml, decodetest.Problems(s), want)
		}
	}
}

// Every key of the map is in the package's documentation, with an example.
func TestMapLanguageIsDocumented(t *testing.T) {
	t.Parallel()
	doc, err := os.ReadFile("doc.go")
	if err != nil {
		t.Fatal(err)
	}
	code, err := os.ReadFile("regmap.go")
	if err != nil {
		t.Fatal(err)
	}
	keys := regexp.MustCompile(`yaml:"(\w+)"`).FindAllSubmatch(code, -1)
	if len(keys) < 25 {
		t.Errorf("only %d keys found", len(keys))
	}
	for _, key := range keys {
		if !strings.Contains(string(doc), string(key[1])+":") {
			t.Errorf("%s is not in doc.go", key[1])
		}
	}
}
