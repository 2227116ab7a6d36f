package textline

import (
	"errors"
	"fmt"
	"math"
	"os"
	"regexp"
	"strings"
	"testing"

	"ebbwatch/collector/decode/decodetest"
	"ebbwatch/collector/needtest"
)

// printer starts the device of testdata/printer.py and gives its port.
func printer(t *testing.T, way string) string {
	t.Helper()
	return needtest.Peer(t, needtest.Python(t), "testdata/printer.py", way)
}

// Each way to print, by a device written in another language.
func TestPrintedLanguage(t *testing.T) {
	t.Parallel()
	const milli = "fields: {BV: {quantity: battery_volts, unit: mV}, BI: {quantity: battery_amps, unit: mA}}"
	for _, tc := range []struct{ way, format, want string }{
		{"sum16", "between: ';'\ncheck: {kind: sum16, mark: '!'}\n" + milli, "battery_volts=13.284 battery_amps=-1.62"},
		{"ones8", "between: ';'\ncheck: {kind: ones8, mark: '!'}\n" + milli, "battery_volts=13.284 battery_amps=-1.62"},
		{"json", "json: true\nfields: {volts: battery_volts, battery.amps: battery_amps, panels.0.watts: pv_watts, probe: battery_celsius}",
			"battery_volts=13.284 battery_amps=-1.62 pv_watts=38"},
		{"hex", "between: ';'\nfields: {BV: {quantity: battery_volts, unit: mV, digits: hex}, BI: {quantity: battery_amps, unit: mA, digits: signed_hex}, PW: {quantity: pv_watts, digits: hex}}",
			"battery_volts=13.284 battery_amps=-1.62 pv_watts=38"},
		{"exponent", "between: ';'\nfields: {BV: battery_volts, BI: battery_amps}", "battery_volts=13.284 battery_amps=-1.62"},
		{"widths", "widths: [7, 7, 5]\nfields: {1: battery_volts, 2: battery_amps, 3: {quantity: charge_state, values: {FLT: float}}}",
			"battery_volts=13.284 battery_amps=-1.62 charge_state=3"},
		{"enclosed", "frame: enclosed\nbetween: ';'\n" + milli, "battery_volts=13.284 battery_amps=-1.62"},
		{"empty", "frame: block\nend: empty\nseparator: space\n" + milli, "battery_volts=13.284 battery_amps=-1.62"},
	} {
		t.Run(tc.way, func(t *testing.T) {
			t.Parallel()
			src := sourceOf(t, "port: "+printer(t, tc.way)+"\nlisten: 2s\nformat:\n  "+strings.ReplaceAll(tc.format, "\n", "\n  "))
			values, err := src.Read(t.Context())
			var got []string
			for _, v := range values {
				got = append(got, fmt.Sprintf("%v=%g", v.Quantity, math.Round(v.X*1e6)/1e6))
			}
			if text := strings.Join(got, " "); err != nil || text != tc.want {
				t.Errorf("got %s, %v, want %s", text, err, tc.want)
			}
		})
	}
}

// A frame that says something else than its format is not read, and the reason is told.
func TestPrintedLanguageRefuses(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct{ format, text, want string }{
		{"json: true\nfields: {watts: pv_watts}", `{"a": {"watts": 3}, "b": {"watts": 4}}`, "watts comes twice in one frame: name it by its whole path"},
		{"json: true\nfields: {watts: pv_watts}", `{"watts": 3`, "no JSON object in the line"},
		{"json: true\nfields: {watts: pv_watts}", `watts 3`, ""},
		{"fields: {W: {quantity: pv_watts, digits: hex}}", "W=12G", `pv_watts is no hexadecimal number: "12G"`},
		{"fields: {W: pv_watts}", "W=1e", `pv_watts cannot be printed as "1e"`},
		{"fields: {W: pv_watts}", "W=1e999", `pv_watts cannot be printed as "1e999"`},
		{"widths: [3, 3]\nfields: {1: pv_watts}", " 1212345", "3 columns instead of 2"},
		{"widths: [3, 3]\nfields: {1: pv_watts}", " 12", "1 columns instead of 2"},
		{"check: {kind: sum16, mark: '!'}\nfields: {W: pv_watts}", "W=12!00F8", "the check is wrong"},
		{"frame: enclosed\nfields: {W: pv_watts}", "W=12", ""},
		{"frame: enclosed\nfields: {W: pv_watts}", "\x02W=1\x02W=2", ""},
	} {
		p := &parser{l: layoutOf(t, tc.format)}
		frames := append(p.feed([]byte("\n")), p.feed([]byte(tc.text+"\n"))...)
		var errs []error
		for _, f := range frames {
			if errs = append(errs, f.err); len(f.values) > 0 {
				t.Errorf("%q: read %v", tc.text, f.values)
			}
		}
		if got := fmt.Sprint(errors.Join(errs...)); tc.want == "" && len(frames) > 0 || !strings.Contains(got, tc.want) {
			t.Errorf("%q: got %s, want %s", tc.text, got, tc.want)
		}
	}
}

// What a format says wrongly is told with the way out.
func TestPrintedLanguageMistakes(t *testing.T) {
	t.Parallel()
	const fields = "\nfields: {1: battery_volts}"
	for format, want := range map[string]string{
		"json: true\nbetween: ','" + fields:          "json: cannot go with columns, widths and between: an object names its fields",
		"json: true\nframe: block\nend: x" + fields:  "json: cannot be used with blocks: an object is one line",
		"json: true\ndecimal: ','" + fields:          "decimal: is a point in JSON",
		"widths: [3]\nbetween: ','" + fields:         "widths: cannot go with columns and between: they say where columns end",
		"widths: [3]\nframe: block\nend: x" + fields: "widths: cannot be used with blocks",
		"widths: [3]\nfields: {2: battery_volts}":    "fields.2: is not a column from 1 to 1",
		"widths: [0]" + fields:                       "widths[0]: 0 is outside 1..100",
		"frame: enclosed\nend: x" + fields:           "end: belongs to blocks: a line ends with itself, and what is enclosed with ETX",
		"frame: block\nend: x\ncheck: {kind: sum16, key: c, written: byte}\nfields: {BV: battery_volts}": "end: cannot stand beside check.key, which ends the block",
		"fields: {BV: {quantity: battery_volts, digits: octal}}":                                         `digits: "octal" is not one of decimal, hex, signed_hex`,
	} {
		s := decodetest.Section(t, format, nil)
		if err := s.Decode(&Format{}); err == nil || decodetest.Problems(s) != want {
			t.Errorf("%s:\n got %s\nwant %s", format, decodetest.Problems(s), want)
		}
	}
}

// Every key of a format is in the package's documentation, with an example.
func TestPrintedLanguageIsDocumented(t *testing.T) {
	t.Parallel()
	doc, err := os.ReadFile("doc.go")
	if err != nil {
		t.Fatal(err)
	}
	code, err := os.ReadFile("format.go")
	if err != nil {
		t.Fatal(err)
	}
	keys := regexp.MustCompile(`yaml:"(\w+)"`).FindAllSubmatch(code, -1)
	if len(keys) < 20 {
		t.Errorf("only %d keys found", len(keys))
	}
	for _, key := range keys {
		if !strings.Contains(string(doc), string(key[1])+":") {
			t.Errorf("%s is not in doc.go", key[1])
		}
	}
}
