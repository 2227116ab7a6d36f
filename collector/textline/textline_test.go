package textline

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/creack/pty"

	"ebbwatch/collector"
	"ebbwatch/collector/decode/decodetest"
	"ebbwatch/collector/reading"
)

func TestConfig(t *testing.T) {
	t.Parallel()
	const fields = "fields: {A: battery_volts}"
	format := func(more string) string {
		return "port: /dev/x\nformat:\n  " + strings.ReplaceAll(more, "\n", "\n  ")
	}
	for _, row := range []struct{ name, yaml, want string }{
		{"plain", format(fields), ""},
		{"file", "port: /dev/x\nformat_file: box.yaml", ""},
		{"missing file", "port: /dev/x\nformat_file: nowhere.yaml", "format_file: nowhere.yaml: cannot open this file: no such file or directory"},
		{"neither", "port: /dev/x", "format: is needed, either here or as format_file"},
		{"both", format(fields) + "\nformat_file: box.yaml", "format: is needed, either here or as format_file"},
		{"speed", "baud: 9\n" + format(fields), "baud: 9 is outside 50..4000000"},
		{"unknown quantity", format("fields: {A: battery_vlots}"), `fields.A: "battery_vlots" is not a quantity (did you mean "battery_volts"?)`},
		{"peer quantity", format("fields: {A: peer_soc}"), `fields.A: "peer_soc" is not a quantity`},
		{"twice", format("fields: {A: battery_volts, B: battery_volts}"), "fields.B: battery_volts is already read from A"},
		{"unit", format("fields: {A: {quantity: battery_volts, unit: mA}}"), `fields.A.unit: "mA" is not a unit of battery_volts; known: V mV`},
		{"zero scale", format("fields: {A: {quantity: battery_volts, scale: 0}}"), "fields.A.scale: is zero"},
		{"stage without texts", format("fields: {A: charge_state}"), "fields.A.values: is needed: which printed text means which charge_state"},
		{"unknown stage", format("fields: {A: {quantity: charge_state, values: {x: boost}}}"), `fields.A.values: "boost" is not a value of charge_state`},
		{"endless block", format("frame: block\n" + fields), "frame: a block needs begin, end or the key of its check, else nobody knows where it ends"},
		{"end of a line", format("end: x\n" + fields), "end: belongs to blocks: a line ends with itself, and what is enclosed with ETX"},
		{"column out of range", format("columns: 2\nbetween: ','\nfields: {3: battery_volts}"), "fields.3: is not a column from 1 to 2"},
		{"column by name", format("columns: 2\nbetween: ','\n" + fields), "fields.A: is not a column from 1 to 2"},
		{"columns without between", format("columns: 2\nfields: {1: battery_volts}"), "between: is needed with columns"},
		{"decimal comma", format("columns: 2\nbetween: ','\ndecimal: ','\nfields: {1: battery_volts}"), "decimal: cannot be the same as between"},
		{"check without a mark", format("check: {kind: xor8}\n" + fields), "check.mark: is needed: what stands before the check"},
		{"check without a key", format("frame: block\nend: x\ncheck: {kind: xor8}\n" + fields), "check.key: is needed: the key of the line that holds the check"},
		{"check without a kind", format("check: {mark: x}\n" + fields), "check: has a place but no kind"},
		{"unknown check", format("check: {kind: md5, mark: x}\n" + fields), `kind: "md5" is not one of none, sum8, sum16, zero8, ones8, xor8, crc8, crc16_modbus, crc16_ccitt`},
		{"byte in a line", format("check: {kind: xor8, mark: x, written: byte}\n" + fields), "check.written: byte belongs to blocks: in a line it could end the line"},
		{"wide byte", format("frame: block\ncheck: {kind: crc16_modbus, key: x, written: byte}\n" + fields), "check.written: crc16_modbus has 16 bits, which is not one byte"},
	} {
		t.Run(row.name, func(t *testing.T) {
			t.Parallel()
			s := decodetest.Section(t, row.yaml, map[string]string{"box.yaml": fields})
			src, err := Kind().New(s)
			if got := decodetest.Problems(s); got != row.want {
				t.Errorf("problems %q, want %q", got, row.want)
			}
			if (err == nil) != (row.want == "") || (src == nil) != (row.want != "") {
				t.Errorf("source %v, error %v", src, err)
			}
		})
	}
}

func TestSample(t *testing.T) {
	t.Parallel()
	_, section, _ := strings.Cut(Kind().Sample, "textline:\n")
	s := decodetest.Section(t, section, nil)
	if _, err := Kind().New(s); err != nil {
		t.Error(s.Problems())
	}
}

// box is a device that prints on a pseudo-terminal, which a name points to as udev does.
type box struct {
	t      *testing.T
	master *os.File
	slave  *os.File
	stop   chan struct{}
	done   sync.WaitGroup
}

func plugIn(t *testing.T, name string, print func(i int) string) *box {
	t.Helper()
	m, s, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	os.Remove(name)
	if err := os.Symlink(s.Name(), name); err != nil {
		t.Fatal(err)
	}
	b := &box{t: t, master: m, slave: s, stop: make(chan struct{})}
	tick := time.NewTicker(10 * time.Millisecond)
	b.done.Go(func() {
		defer tick.Stop()
		for i := 0; ; i++ {
			select {
			case <-b.stop:
				return
			case <-tick.C:
				m.SetWriteDeadline(time.Now().Add(time.Second))
				fmt.Fprint(m, print(i))
			}
		}
	})
	t.Cleanup(b.pullOut)
	return b
}

func (b *box) pullOut() {
	select {
	case <-b.stop:
		return
	default:
	}
	close(b.stop)
	b.done.Wait()
	b.slave.Close()
	b.master.Close()
}

func sourceOf(t *testing.T, yaml string) collector.Source {
	t.Helper()
	s := decodetest.Section(t, yaml, nil)
	src, err := Kind().New(s)
	if err != nil {
		t.Fatal(s.Problems())
	}
	return src
}

const pairs = "listen: 2s\nformat:\n  between: ';'\n  check: {kind: xor8, mark: '!'}\n  fields: {BV: {quantity: battery_volts, unit: mV}, BI: {quantity: battery_amps, unit: mA}}\n"

func printed(volts int) string { return checked(fmt.Sprintf("BV=%d;BI=-1620", volts), "!", xor8) }

func TestReadsAPort(t *testing.T) {
	t.Parallel()
	name := filepath.Join(t.TempDir(), "box")
	first := plugIn(t, name, func(i int) string { return printed(13284) })
	src := sourceOf(t, "port: "+name+"\n"+pairs)
	read := func(want string) error {
		t.Helper()
		v, err := src.Read(t.Context())
		if got := told([]frame{{values: v}}); got != want {
			t.Errorf("values %q, want %q (error %v)", got, want, err)
		}
		return err
	}
	if err := read("battery_volts=13.284 battery_amps=-1.62"); err != nil {
		t.Error(err)
	}
	first.pullOut()
	err := read("")
	if collector.KindOf(err) != collector.Port || !strings.Contains(err.Error(), "went away") {
		t.Errorf("unplugged: %v", err)
	}
	os.Remove(name)
	if err := read(""); collector.KindOf(err) != collector.Port || !strings.Contains(err.Error(), "there is no such port") {
		t.Errorf("gone: %v", err)
	}
	plugIn(t, name, func(i int) string { return printed(13100) })
	if err := read("battery_volts=13.1 battery_amps=-1.62"); err != nil {
		t.Errorf("plugged in again: %v", err)
	}
}

func TestPortTroubles(t *testing.T) {
	t.Parallel()
	for _, row := range []struct {
		name, prints, values string
		kind                 collector.ErrorKind
		says                 string
	}{
		{"silence", "", "", collector.Timeout, "the device printed nothing in"},
		{"rubbish", "\xfe\x80zz\x13", "", collector.Short, "are speed, parity and format right?"},
		{"bad checks", "BV=1!00\n", "", collector.CRC, "the check is wrong"},
		{"part of the fields", checked("BV=13284", "!", xor8), "battery_volts=13.284", collector.Other, ""},
		{"impossible", checked("BV=99284;BI=20", "!", xor8), "battery_amps=0.02", collector.Refused, "battery_volts cannot be 99.284"},
	} {
		t.Run(row.name, func(t *testing.T) {
			t.Parallel()
			name := filepath.Join(t.TempDir(), "box")
			plugIn(t, name, func(int) string { return row.prints })
			src := sourceOf(t, "port: "+name+"\n"+strings.Replace(pairs, "2s", "400ms", 1))
			v, err := src.Read(t.Context())
			if got := told([]frame{{values: v}}); got != row.values {
				t.Errorf("values %q, want %q", got, row.values)
			}
			if (err != nil) != (row.says != "") || err != nil && (collector.KindOf(err) != row.kind || !strings.Contains(err.Error(), row.says) || !strings.Contains(err.Error(), name)) {
				t.Errorf("error %v, want %s about %q", err, row.kind, row.says)
			}
		})
	}
}

// fakePort gives what a test says, under the bubble's clock.
type fakePort struct {
	read   func(wait time.Duration) ([]byte, error)
	wait   time.Duration
	closed bool
}

func (p *fakePort) Read(b []byte) (int, error) {
	got, err := p.read(p.wait)
	return copy(b, got), err
}
func (p *fakePort) SetReadTimeout(d time.Duration) error { p.wait = d; return nil }
func (p *fakePort) ResetInputBuffer() error              { return nil }
func (p *fakePort) Close() error                         { p.closed = true; return nil }

// What stood in a buffer since the last poll must not pass for the present.
func TestOldTextIsNotRead(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		began := time.Now()
		p := &fakePort{}
		p.read = func(wait time.Duration) ([]byte, error) {
			if time.Since(began) < 20*time.Millisecond {
				time.Sleep(time.Millisecond)
				return []byte(printed(11000)), nil
			}
			time.Sleep(min(wait, 30*time.Millisecond))
			return []byte(printed(13284)), nil
		}
		s := newSource(Config{Port: "x", Listen: 2 * time.Second, Format: formatOf(t, lineBare)}, func(Config) (port, error) { return p, nil })
		v, err := s.Read(t.Context())
		if got := told([]frame{{values: v}}); err != nil || got != "battery_volts=13.284" {
			t.Errorf("%s, %v", got, err)
		}
	})
}

const lineBare = "between: ';'\ncheck: {kind: xor8, mark: '!'}\nfields: {BV: {quantity: battery_volts, unit: mV}}"

func formatOf(t *testing.T, text string) *Format {
	t.Helper()
	var f Format
	if err := decodetest.Section(t, text, nil).Decode(&f); err != nil {
		t.Fatal(err)
	}
	return &f
}

// A poll that is about to be cut off hands over what came; one that was cut off says so.
func TestDeadlines(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		p := &fakePort{read: func(wait time.Duration) ([]byte, error) {
			time.Sleep(wait)
			return []byte(printed(13284)), nil
		}}
		f := formatOf(t, lineBare+"\n")
		f.Fields = append(f.Fields, Field{Key: "X", Plain: "pv_volts", Scale: 1}) // never printed
		s := newSource(Config{Port: "x", Listen: 20 * time.Second, Format: f}, func(Config) (port, error) { return p, nil })
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		v, err := s.Read(ctx)
		if err != nil || len(v) != 1 || v[0].Quantity != reading.BatteryVolts || ctx.Err() != nil {
			t.Errorf("%v, %v, context %v", v, err, ctx.Err())
		}
		ended, end := context.WithCancel(t.Context())
		end()
		if _, err := s.Read(ended); !errors.Is(err, context.Canceled) || !p.closed {
			t.Errorf("ended: %v, closed %v", err, p.closed)
		}
	})
}
