package textline

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"ebbwatch/collector/decode/decodetest"
	"ebbwatch/collector/reading"
	"ebbwatch/collector/serial"
)

// layoutOf reads a format and fails on any problem in it.
func layoutOf(t testing.TB, text string) layout {
	t.Helper()
	s := decodetest.Section(t, text, nil)
	var f Format
	if err := s.Decode(&f); err != nil {
		t.Fatalf("format: %s", decodetest.Problems(s))
	}
	return f.compile(func(key, what string) { t.Fatalf("%s: %s", key, what) })
}

// Invented formats, one for each way to frame and check.
const (
	linePairs  = "begin: 'BOX '\nbetween: ';'\ncheck: {kind: xor8, mark: '!'}\nfields: {BV: {quantity: battery_volts, unit: mV}, BI: {quantity: battery_amps, unit: mA}, BT: battery_celsius}"
	lineCRC    = "begin: 'BOX '\nbetween: ';'\ncheck: {kind: crc16_modbus, mark: '!'}\nfields: {BV: {quantity: battery_volts, unit: mV}, BI: {quantity: battery_amps, unit: mA}}"
	columns    = "columns: 3\nbetween: ','\nfields: {1: battery_volts, 3: pv_watts}"
	spaced     = "columns: 3\nbetween: space\nfields: {2: {quantity: battery_amps, scale: -1}, 3: {quantity: load_on, values: {ON: 'on', OFF: 'off'}}}"
	plainBlock = "frame: block\nbegin: 'relay'\nend: '.'\nseparator: ':'\nfields: {volts: battery_volts, stage: {quantity: charge_state, values: {rest: 'off', fill: bulk}}, soc: controller_soc}"
	openBlock  = "frame: block\nbegin: 'N='\nfields: {U: battery_volts, I: battery_amps}"
	crcBlock   = "frame: block\nbegin: 'N='\ncheck: {kind: crc16_ccitt, key: CRC}\nfields: {U: battery_volts, I: battery_amps}"
	byteBlock  = "frame: block\nseparator: space\ncheck: {kind: zero8, written: byte, key: Z}\nfields: {u: {quantity: battery_volts, scale: 0.01}, i: {quantity: battery_amps, unit: mA}}"
)

// zeroed ends a byteBlock so that all its bytes sum to zero.
func zeroed(text string) string { return text + "Z " + string([]byte{-sum8([]byte(text + "Z "))}) }

func checked(body, mark string, sum func([]byte) uint16) string {
	return fmt.Sprintf("%s%s%02X\r\n", body, mark, sum([]byte(body)))
}

// told writes frames as "quantity=value …", or the error.
func told(frames []frame) string {
	var out []string
	for _, f := range frames {
		var parts []string
		for _, v := range f.values {
			parts = append(parts, fmt.Sprintf("%v=%.6g", v.Quantity, v.X))
		}
		if f.err != nil {
			parts = append(parts, "!"+strings.ReplaceAll(f.err.Error(), "\n", "; "))
		}
		out = append(out, strings.Join(parts, " "))
	}
	return strings.Join(out, " | ")
}

func TestParse(t *testing.T) {
	t.Parallel()
	good := checked("BOX BV=13284;BI=-1620;BT=21.5", "!", xor8)
	block := "N=4\nU=13.3\nI=-1.6\n"
	withCRC := fmt.Sprintf("%sCRC=%04x\n", block, crc16CCITT([]byte(block+"CRC=")))
	bytewise := zeroed("\r\nu 1328\r\ni -1620\r\n")
	const relay = "relay boathouse\nvolts: 13.31 V\nstage: fill\nsoc: 81 %\n.\n"
	for _, row := range []struct{ name, format, in, want string }{
		{"torn at the start", linePairs, "V=9999\n" + good, "battery_volts=13.284 battery_amps=-1.62 battery_celsius=21.5"},
		{"torn frame passes for nothing", columns, "2.81,1,2\n12.81,1.62,21\n", "battery_volts=12.81 pv_watts=21"},
		{"bad check", linePairs, "\n" + strings.Replace(good, "13284", "13294", 1) + good, `!the check is wrong: "4D", computed 0x4c | battery_volts=13.284 battery_amps=-1.62 battery_celsius=21.5`},
		{"no check", linePairs, "\nBOX BV=13284\n", `!the check is wrong: there is none in "BOX BV=13284"`},
		{"others' lines", linePairs, "\nhello\n\n# BOX\n" + good, "battery_volts=13.284 battery_amps=-1.62 battery_celsius=21.5"},
		{"impossible", linePairs, "\n" + checked("BOX BV=132840;BI=5", "!", xor8), "battery_amps=0.005 !BV: battery_volts cannot be 132.84"},
		{"columns", columns, "\n12.81, 1.62 ,21 W\n", "battery_volts=12.81 pv_watts=21"},
		{"wrong unit", columns, "\n12.81 A,1,2\n", `!1: battery_volts cannot be printed as "12.81 A"`},
		{"printed unit", columns, "\n12810 mV,1,0.02kW\n", "battery_volts=12.81 pv_watts=20"},
		{"too few columns", columns, "\n12.81,1.62\n", `!2 columns instead of 3 in the line "12.81,1.62"`},
		{"glued lines", columns, "\n12.81,1.62,2112.82,1.63,22\n", `!5 columns instead of 3 in the line "12.81,1.62,2112.82,1.63,22"`},
		{"no number", columns, "\n1x2,1,2\n", `!1: battery_volts cannot be printed as "1x2"`},
		{"empty column", columns, "\n,1,2\n", `!1: battery_volts is no number: ""`},
		{"hexadecimal", columns, "\n0x12,1,2\n", `!1: battery_volts cannot be printed as "0x12"`},
		{"infinite", columns, "\ninf,1,2\n", `!1: battery_volts cannot be printed as "inf"`},
		{"control characters", columns, "\n12\x00.81,1,2\n", `!noise in the line "12\x00.81,1,2"`},
		{"spaces and sign", spaced, "\nx   1.5  ON\nx -2 OFF\n", "battery_amps=-1.5 load_on=1 | battery_amps=2 load_on=0"},
		{"unknown text", spaced, "\nx 1 on\n", `!3: load_on has no meaning for "on"`},
		{"block", plainBlock, "\n" + relay + relay, "battery_volts=13.31 charge_state=1 controller_soc=0.81 | battery_volts=13.31 charge_state=1 controller_soc=0.81"},
		{"block torn at the start", plainBlock, "volts: 9\n.\n" + relay, "battery_volts=13.31 charge_state=1 controller_soc=0.81"},
		{"block cut short", plainBlock, "\nrelay\nvolts: 9\n" + relay, "battery_volts=13.31 charge_state=1 controller_soc=0.81"},
		{"twice in a block", plainBlock, "\nrelay\nvolts: 9\nvolts: 10\n.\n", "!volts comes twice in one frame"},
		{"open block", openBlock, "I=9\n" + block + block + "N=", "battery_volts=13.3 battery_amps=-1.6"},
		{"block with CRC", crcBlock, "\n" + withCRC + withCRC, "battery_volts=13.3 battery_amps=-1.6 | battery_volts=13.3 battery_amps=-1.6"},
		{"block with a bad CRC", crcBlock, "\n" + strings.Replace(withCRC, "U=13.3", "U=13.1", 1), fmt.Sprintf(`!the check is wrong: "%04x", computed %#x`, crc16CCITT([]byte(block+"CRC=")), crc16CCITT([]byte("N=4\nU=13.1\nI=-1.6\nCRC=")))},
		{"block with a byte", byteBlock, "i 9\r\nZ q" + bytewise + bytewise, "battery_volts=13.28 battery_amps=-1.62 | battery_volts=13.28 battery_amps=-1.62"},
		{"check byte that ends lines", byteBlock, "Z q" + newlineSum(t) + bytewise, "battery_volts=13.28 | battery_volts=13.28 battery_amps=-1.62"},
	} {
		t.Run(row.name, func(t *testing.T) {
			t.Parallel()
			l := layoutOf(t, row.format)
			whole, single := &parser{l: l}, &parser{l: l}
			got := told(whole.feed([]byte(row.in)))
			var bits []frame
			for i := range len(row.in) {
				bits = append(bits, single.feed([]byte{row.in[i]})...)
			}
			if got != row.want {
				t.Errorf("got  %s\nwant %s", got, row.want)
			}
			if told(bits) != got {
				t.Errorf("byte by byte: %s", told(bits))
			}
		})
	}
}

// newlineSum is a byteBlock whose check byte happens to be a newline.
func newlineSum(t *testing.T) string {
	for pad := range 64 * 64 {
		if s := zeroed(fmt.Sprintf("\r\nu 1328\r\npad %c%c\r\n", 60+pad%64, 60+pad/64)); strings.HasSuffix(s, "\n") {
			return s
		}
	}
	t.Fatal("no padding gives a newline")
	return ""
}

// The check values of "123456789" are those of the common catalogue of CRCs.
func TestSums(t *testing.T) {
	t.Parallel()
	text := []byte("123456789")
	for kind, want := range map[string]uint16{"crc8": 0xf4, "crc16_modbus": 0x4b37, "crc16_ccitt": 0x29b1, "sum8": 0xdd, "zero8": 0x23, "xor8": 0x31} {
		if got := sums(kind)(text); got != want {
			t.Errorf("%s: %#x, want %#x", kind, got, want)
		}
	}
}

func TestUnits(t *testing.T) {
	t.Parallel()
	for _, row := range []struct {
		q       reading.Quantity
		declare string
		text    string
		want    float64
	}{
		{reading.BatteryVolts, "mV", "12800", 12.8}, {reading.BatteryVolts, "", "12800mV", 12.8}, {reading.PanelWatts, "kW", "0.24 kW", 240},
		{reading.AirCelsius, "F", "-40", -40}, {reading.AirCelsius, "°F", "77 °F", 25}, {reading.AirCelsius, "K", "273.15", 0},
		{reading.AirCelsius, "", "21.5°C", 21.5}, {reading.AirCelsius, "", asText([]byte("21.5\xb0C")), 21.5}, {reading.ControllerSoC, "%", "73", 0.73},
		{reading.BatteryAmps, "mA", "-1500 mA", -1.5}, {reading.BatteryAmps, "", "+.5", 0.5}, {reading.BatteryAmps, "", "5.", 5},
	} {
		f, ok := (&Field{Plain: row.q.String(), Unit: row.declare, Scale: 1}).compile(func(k, what string) { t.Error(k, what) })
		x, known, err := f.value(row.text, ".")
		if !ok || !known || err != nil || math.Abs(x-row.want) > 1e-9 {
			t.Errorf("%q as %v in %q: %v %v %v, want %v", row.text, row.q, row.declare, x, known, err, row.want)
		}
	}
}

func TestAbsent(t *testing.T) {
	t.Parallel()
	l := layoutOf(t, "columns: 2\nbetween: ','\ndecimal: '.'\nfields: {1: {quantity: battery_celsius, absent: ['--', '-127.0']}, 2: battery_volts}")
	p := &parser{l: l}
	if got := told(p.feed([]byte("\n--,13\n-127.0,13\n20,13\n"))); got != "battery_volts=13 | battery_volts=13 | battery_celsius=20 battery_volts=13" {
		t.Error(got)
	}
}

// Whatever comes before it, the second of two good frames is read and right.
func TestResynchronises(t *testing.T) {
	t.Parallel()
	rng := rand.New(rand.NewPCG(1, 2))
	block := "N=4\nU=13.3\nI=-1.6\n"
	for _, row := range []struct{ format, good, want string }{
		{linePairs, checked("BOX BV=13284;BI=-1620", "!", xor8), "battery_volts=13.284 battery_amps=-1.62"},
		{columns, "12.81,1.62,21\n", "battery_volts=12.81 pv_watts=21"},
		{crcBlock, fmt.Sprintf("%sCRC=%04x\n", block, crc16CCITT([]byte(block+"CRC="))), "battery_volts=13.3 battery_amps=-1.6"},
		{byteBlock, zeroed("\r\nu 1328\r\ni -1620\r\n"), "battery_volts=13.28 battery_amps=-1.62"},
		{plainBlock, "relay\nvolts: 13\n.\n", "battery_volts=13"},
	} {
		l := layoutOf(t, row.format)
		for range 2000 {
			p := &parser{l: l}
			noise := make([]byte, rng.IntN(1200))
			for i := range noise {
				noise[i] = byte(rng.Uint32())
			}
			p.feed(noise)
			p.feed([]byte(row.good))
			last := p.feed([]byte(row.good + row.good))
			if len(last) == 0 || told(last[len(last)-1:]) != row.want {
				t.Fatalf("after %q: %s, want %s", noise, told(last), row.want)
			}
			if cap(p.raw) > 2*maxBlock {
				t.Fatalf("%d bytes kept", cap(p.raw))
			}
		}
	}
}

// A CRC of 16 bits finds every damage of up to three bits in frames this short (it has a
// Hamming distance of 4) and every burst of up to 16 bits. Of other damage it lets one in
// 65536 through, so of 50000 such frames more than a few would be a mistake of ours.
func TestDamageIsNotRead(t *testing.T) {
	t.Parallel()
	l := layoutOf(t, lineCRC)
	body := "BOX BV=13284;BI=-1620"
	good := fmt.Appendf(nil, "%s!%04X\n", body, serial.CRC16([]byte(body)))
	rng := rand.New(rand.NewPCG(3, 4))
	for _, row := range []struct {
		name   string
		damage func(b []byte) []byte
		most   int // wrong frames that may be read
	}{
		{"up to three bits", func(b []byte) []byte {
			for range 1 + rng.IntN(3) {
				b[rng.IntN(len(b))] ^= 1 << rng.IntN(8)
			}
			return b
		}, 0},
		{"a burst", func(b []byte) []byte {
			i := rng.IntN(len(b) - 1)
			b[i] ^= byte(rng.Uint32())
			b[i+1] ^= byte(rng.Uint32())
			return b
		}, 0},
		{"bytes lost", func(b []byte) []byte {
			i := rng.IntN(len(b))
			return slices.Delete(b, i, min(i+1+rng.IntN(6), len(b)))
		}, 3},
		{"bytes more", func(b []byte) []byte {
			i := rng.IntN(len(b))
			return slices.Insert(b, i, b[:rng.IntN(i+1)]...)
		}, 3},
		{"noise between", func(b []byte) []byte {
			noise := []byte{byte(rng.Uint32()), byte(rng.Uint32()), byte(rng.Uint32())}
			return slices.Insert(b, rng.IntN(len(b)), noise...)
		}, 3},
	} {
		wrong, right := 0, 0
		for range 30000 {
			p := &parser{l: l, whole: true}
			for _, f := range p.feed(append(row.damage(slices.Clone(good)), good...)) {
				switch v := f.values; {
				case f.err != nil:
				case len(v) == 2 && math.Abs(v[0].X-13.284) < 1e-9 && math.Abs(v[1].X+1.62) < 1e-9:
					right++
				default:
					wrong++
				}
			}
		}
		if wrong > row.most || right < 20000 {
			t.Errorf("%s: %d wrong frames read, %d right ones", row.name, wrong, right)
		}
	}
}

func FuzzParser(f *testing.F) {
	formats := []string{linePairs, lineCRC, columns, spaced, plainBlock, openBlock, crcBlock, byteBlock}
	f.Add(0, []byte("\n"+checked("BOX BV=13284;BI=-1620", "!", xor8)))
	f.Add(2, []byte("\n12.81,1.62,21\n"))
	f.Add(4, []byte("relay\nvolts: 13.1 V\nstage: fill\n.\n"))
	f.Add(5, []byte("\nN=4\nU=13.3\nN=5\n"))
	f.Add(7, []byte("Z q"+zeroed("\r\nu 1328\r\n")))
	layouts := make([]layout, len(formats))
	for i, text := range formats {
		layouts[i] = layoutOf(f, text)
	}
	f.Fuzz(func(t *testing.T, which int, b []byte) {
		p := &parser{l: layouts[max(which, 0)%len(layouts)]}
		for _, fr := range p.feed(b) {
			if p.l.sum == nil && fr.err != nil && len(fr.values) > 0 {
				t.Errorf("values %v beside %v without a check", fr.values, fr.err)
			}
			if errors.Is(fr.err, errSum) && len(fr.values) > 0 {
				t.Errorf("values %v out of a damaged frame", fr.values)
			}
			for _, v := range fr.values {
				if !v.Quantity.Possible(v.X) {
					t.Errorf("impossible %v", v)
				}
			}
		}
		if len(p.raw) > maxBlock {
			t.Errorf("%d bytes kept", len(p.raw))
		}
	})
}
