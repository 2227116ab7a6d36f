package modbus

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"ebbwatch/collector"
	"ebbwatch/collector/decode/decodetest"
	"ebbwatch/collector/reading"
)

// sourceOn makes a source by a map, on a fake line.
func sourceOn(t *testing.T, line *fakeLine, yaml string) *mapped {
	t.Helper()
	var m Map
	s := decodetest.Section(t, yaml, nil)
	if err := s.Decode(&m); err != nil {
		t.Fatal(s.Problems())
	}
	return newMapped(busOn(line), 1, m.compile(func(key, what string) { t.Errorf("%s: %s", key, what) }))
}

func quantities(values []reading.Value) []string {
	var names []string
	for _, v := range values {
		names = append(names, fmt.Sprintf("%s %g", v.Quantity, v.X))
	}
	slices.Sort(names)
	return names
}

// questions lists what was asked since the last time, as address and count.
func (l *fakeLine) questions() (all []string) {
	for _, q := range l.asked {
		all = append(all, fmt.Sprintf("%d+%d", int(q[2])<<8|int(q[3]), int(q[4])<<8|int(q[5])))
	}
	l.asked = nil
	return all
}

const fourRegisters = `registers:
  - {quantity: battery_volts, address: 0}
  - {quantity: pv_volts, address: 2}
  - {quantity: load_volts, address: 5}
  - {quantity: battery_celsius, address: 6}`

// A register with a rate of its own is asked for when its time has come, and again at once where it
// could not be read; its value says how seldom that is.
func TestSlowRegisterIsAskedSeldom(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		line := &fakeLine{answer: bank{unit: 1, read: counting}.answer}
		src := sourceOn(t, line, "registers: [{quantity: battery_volts, address: 1, max: 99}, {quantity: battery_celsius, address: 9, every: 1m}]")
		var got []string
		for k := range 14 {
			if k == 6 || k == 7 {
				line.answer = func([]byte) []said { return nil }
			} else {
				line.answer = bank{unit: 1, read: counting}.answer
			}
			values, _ := src.Read(t.Context())
			text := ""
			for _, v := range values {
				if v.Quantity == reading.BatteryCelsius {
					if text = "T"; v.Every != time.Minute {
						t.Errorf("a value that is asked for each minute says %v", v.Every)
					}
				}
			}
			got = append(got, fmt.Sprint(len(values))+text)
			time.Sleep(time.Until(time.Date(2000, 1, 1, 0, 0, 10*(k+1), 0, time.UTC)))
		}
		if text, want := strings.Join(got, " "), "2T 1 1 1 1 1 0 0 2T 1 1 1 1 1"; text != want {
			t.Errorf("values of each poll: %s, want %s", text, want)
		}
	})
}

// A hole between registers that the device will not read across: found once, remembered,
// and all values are there from the first poll on.
func TestRefusedGapIsRememberedAndReadAround(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		held := map[uint16]uint16{0: 10, 1: 0, 2: 12, 5: 15, 6: 16}
		line := &fakeLine{answer: bank{unit: 1, read: values(held)}.answer}
		src := sourceOn(t, line, fourRegisters)
		want := []string{"battery_celsius 16", "battery_volts 10", "load_volts 15", "pv_volts 12"}
		for i := range 3 {
			got, err := src.Read(t.Context())
			if err != nil || !slices.Equal(quantities(got), want) {
				t.Errorf("poll %d: got %v, %v", i, quantities(got), err)
			}
			asked := line.questions()
			if i > 0 && !slices.Equal(asked, []string{"0+3", "5+2"}) {
				t.Errorf("poll %d: asked %v", i, asked)
			}
			time.Sleep(10 * time.Second)
		}
	})
}

// A device that gives only few registers at once is learned in the same way.
func TestLimitOfDeviceIsLearned(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		all := map[uint16]uint16{}
		for i := range uint16(10) {
			all[i] = 10 + i
		}
		line := &fakeLine{answer: bank{unit: 1, limit: 3, read: values(all)}.answer}
		src := sourceOn(t, line, fourRegisters)
		for i := range 2 {
			got, err := src.Read(t.Context())
			if err != nil || len(got) != 4 {
				t.Errorf("poll %d: got %v, %v", i, quantities(got), err)
			}
			if asked := line.questions(); i > 0 && !slices.Equal(asked, []string{"0+3", "5+2"}) {
				t.Errorf("asked %v", asked)
			}
			time.Sleep(10 * time.Second)
		}
	})
}

// A register that the device refuses does not cost the others; its error is repeated, it is
// asked for again after some time, and it counts when it is there.
func TestRefusedRegisterComesBack(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		held := map[uint16]uint16{0: 10, 1: 0, 2: 12, 3: 0, 4: 0, 5: 15}
		line := &fakeLine{answer: bank{unit: 1, read: values(held)}.answer}
		src := sourceOn(t, line, fourRegisters)
		for i := range 3 {
			got, err := src.Read(t.Context())
			if collector.KindOf(err) != collector.Exception || len(got) != 3 ||
				strings.Count(fmt.Sprint(err), "cannot read holding register 6 of unit 1 at /dev/boathouse") != 1 {
				t.Errorf("poll %d: got %v, %v", i, quantities(got), err)
			}
		}
		line.questions()
		time.Sleep(deadFirst + time.Second)
		if _, err := src.Read(t.Context()); err == nil {
			t.Error("still refused, but no error")
		}
		if asked := line.questions(); !slices.Equal(asked, []string{"0+6", "6+1", "6+1"}) {
			t.Errorf("asked %v", asked)
		}
		held[6] = 16
		time.Sleep(2*deadFirst + time.Second)
		for range 2 {
			got, err := src.Read(t.Context())
			if err != nil || len(got) != 4 {
				t.Errorf("got %v, %v", quantities(got), err)
			}
		}
		if asked := line.questions(); asked[len(asked)-1] != "0+7" {
			t.Errorf("asked %v", asked)
		}
	})
}

// What is busy now is not remembered as refused.
func TestBusyDeviceIsAskedAgain(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		busy := true
		good := bank{unit: 1, read: counting}
		line := &fakeLine{answer: func(q []byte) []said {
			if busy {
				return []said{{5 * ms, seal([]byte{1, q[1] | 0x80, 6})}}
			}
			return good.answer(q)
		}}
		src := sourceOn(t, line, "registers: [{quantity: battery_volts, address: 3}]")
		if _, err := src.Read(t.Context()); collector.KindOf(err) != collector.Exception || !strings.Contains(err.Error(), "busy") {
			t.Errorf("got %v", err)
		}
		busy = false
		if got, err := src.Read(t.Context()); err != nil || len(got) != 1 {
			t.Errorf("got %v, %v", got, err)
		}
	})
}

// A device that is not there costs two questions a poll, however long its map is.
func TestSilentDeviceIsGivenUp(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		line := &fakeLine{answer: func([]byte) []said { return nil }}
		src := sourceOn(t, line, `{forbidden: [1, 3, 5], registers: [{quantity: battery_volts, address: 0}, {quantity: pv_volts, address: 2},
			{quantity: load_volts, address: 4}, {quantity: air_celsius, address: 6}]}`)
		got, err := src.Read(t.Context())
		if collector.KindOf(err) != collector.Timeout || len(got) > 0 || len(line.asked) > 3 {
			t.Errorf("got %v, %v after %d questions", got, err, len(line.asked))
		}
	})
}

// A device that is away does not hold up another on its line for long: about a third of a
// second a poll once its line is known, and the quiet time after it.
func TestDeadNeighbourCostsLittle(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		away := false
		one, two := bank{unit: 1, read: counting}, bank{unit: 2, read: counting}
		line := &fakeLine{answer: func(q []byte) []said {
			if away && q[0] == 2 {
				return nil
			}
			return append(one.answer(q), two.answer(q)...)
		}}
		alive := sourceOn(t, line, "registers: [{quantity: battery_volts, address: 3}]")
		gone := newMapped(alive.bus, 2, alive.layout)
		slowest := time.Duration(0)
		for i := range 100 {
			away = i > 20
			var both sync.WaitGroup
			both.Go(func() {
				if got, err := gone.Read(t.Context()); !away && (err != nil || len(got) != 1) {
					t.Errorf("poll %d of unit 2: got %v, %v", i, got, err)
				}
			})
			both.Go(func() {
				began := time.Now()
				if got, err := alive.Read(t.Context()); err != nil || len(got) != 1 {
					t.Errorf("poll %d of unit 1: got %v, %v", i, got, err)
				}
				if i > 25 {
					slowest = max(slowest, time.Since(began))
				}
			})
			both.Wait()
			time.Sleep(10 * time.Second)
		}
		// The first guess of a second comes back after some misses, as the device may have
		// become slow.
		if slowest > 1400*ms {
			t.Errorf("unit 1 had to wait %s", slowest)
		}
	})
}

// Values that cannot be are refused by name, with kind; the others count.
func TestImpossibleValueIsRefusedAlone(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		line := &fakeLine{answer: bank{unit: 1, read: values(map[uint16]uint16{0: 1284, 1: 0xFF38})}.answer}
		src := sourceOn(t, line, `{base: 1, registers: [{quantity: battery_volts, address: 1, scale: 0.01}, {quantity: battery_amps, address: 2, scale: 0.01}]}`)
		got, err := src.Read(t.Context())
		const says = "cannot believe battery_amps: holding register 2 of unit 1 at /dev/boathouse gives 653.36 A, outside -300 to 300 (raw 0xFF38)"
		if collector.KindOf(err) != collector.Refused || err.Error() != says || !slices.Equal(quantities(got), []string{"battery_volts 12.84"}) {
			t.Errorf("got %v, %v", quantities(got), err)
		}
	})
}

// Another master on the line is reported beside the values, once for what was heard.
func TestAnotherMasterIsReported(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		line := &fakeLine{answer: bank{unit: 1, read: counting}.answer}
		src := sourceOn(t, line, "registers: [{quantity: battery_volts, address: 3}]")
		for i := range 3 {
			if i == 1 {
				line.say(said{0, seal([]byte{9, 3, 0, 1, 0, 1})}, said{0, seal([]byte{9, 3, 2, 5, 4})})
			}
			got, err := src.Read(t.Context())
			if len(got) != 1 || (i == 1) != (collector.KindOf(err) == collector.Foreign) || (i != 1) != (err == nil) {
				t.Errorf("poll %d: got %v, %v", i, got, err)
			}
		}
	})
}

// The identity may be written in the map; a device that has another is never believed.
func TestExpectedIdentity(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		held := map[uint16]uint16{3: 24, 100: 7, 101: 9}
		line := &fakeLine{answer: bank{unit: 1, read: values(held)}.answer}
		const yaml = "{identity: [{address: 100, count: 2, expect: [7, 8]}], registers: [{quantity: battery_volts, address: 3}]}"
		src := sourceOn(t, line, yaml)
		got, err := src.Read(t.Context())
		if len(got) > 0 || err == nil || !strings.Contains(err.Error(), "its identity in holding registers 100 to 101 of unit 1 is [0007 0009] instead of [0007 0008]") {
			t.Errorf("got %v, %v", got, err)
		}
		held[101] = 8
		if got, err := src.Read(t.Context()); err != nil || len(got) != 1 {
			t.Errorf("got %v, %v", got, err)
		}
	})
}

func TestConfigSaysWhatIsWrong(t *testing.T) {
	t.Parallel()
	files := map[string]string{"m.yaml": "registers: [{quantity: battery_volts, address: 3}]", "bad.yaml": "registers: []"}
	for _, tc := range []struct{ yaml, problem string }{
		{"{map: m.yaml}", "needs one of port, tcp and rtu_tcp"},
		{"{port: /dev/x}", "map is missing"},
		{"{port: /dev/x, tcp: a, map: m.yaml}", "tcp: cannot go with port: a source has one line"},
		{"{port: /dev/x, unit: 248, map: m.yaml}", "unit: must be 1 to 247 on a serial line: 248"},
		{"{port: /dev/x, map: m.yaml, battery_amps: into}", "battery_amps: goes with map: sunspec; in a register map a negative scale turns the sign round"},
		{"{port: /dev/x, map: none.yaml}", "map: none.yaml: cannot open this file"},
		{"{port: /dev/x, map: bad.yaml}", "registers: "},
		{"{port: /dev/boathouse, baud: 19200, map: m.yaml}",
			"baud: differs from another source at /dev/boathouse: one line has one setting, there it is 9600 baud, parity none, 1 stop bits"},
	} {
		k := NewKind()
		if _, err := k.New(decodetest.Section(t, "{port: /dev/boathouse, map: m.yaml}", files)); err != nil {
			t.Fatal(err)
		}
		s := decodetest.Section(t, tc.yaml, files)
		if _, err := k.New(s); err == nil || !strings.HasPrefix(decodetest.Problems(s), tc.problem) {
			t.Errorf("%s: got %q, %v, want %s", tc.yaml, s.Problems(), err, tc.problem)
		}
	}
}

// Sources of one kind share the owner of a line; another table of sources has its own.
func TestSourcesShareALine(t *testing.T) {
	t.Parallel()
	files := map[string]string{"m.yaml": "registers: [{quantity: battery_volts, address: 3}]"}
	build := func(k collector.Kind, yaml string) *Bus {
		s, err := k.New(decodetest.Section(t, yaml, files))
		if err != nil {
			t.Fatal(err)
		}
		if m, ok := s.(*mapped); ok {
			return m.bus
		}
		return s.(*sunSource).bus
	}
	k := NewKind()
	one := build(k, "{port: /dev/boathouse, map: m.yaml}")
	for yaml, same := range map[string]bool{
		"{port: /dev/boathouse, unit: 2, map: sunspec}":     true,
		"{port: /dev/island, map: m.yaml}":                  false,
		"{tcp: \"127.0.0.1:1502\", unit: 255, map: m.yaml}": false,
	} {
		if got := build(k, yaml) == one; got != same {
			t.Errorf("%s: shared is %v", yaml, got)
		}
	}
	if build(NewKind(), "{port: /dev/boathouse, map: m.yaml}") == one {
		t.Error("two tables of sources share a line")
	}
	if k.Name != "modbus" || k.Summary == "" {
		t.Errorf("got %+v", k)
	}
	s := decodetest.Section(t, k.Sample, map[string]string{"maps/example-charger.yaml": files["m.yaml"]})
	if _, err := NewKind().New(s); err != nil {
		t.Errorf("the sample: %v, %v", err, s.Problems())
	}
}

// A port that cannot be opened is told in words.
func TestPortThatIsNotThere(t *testing.T) {
	t.Parallel()
	b := NewBus(Settings{Port: t.TempDir() + "/usb-0001", Mode: Mode{Baud: 9600}})
	for _, says := range []string{"is the adapter plugged in?", "tried again in"} {
		_, err := b.Ask(context.Background(), Ask{Unit: 1, Table: Holding, Address: 1, Count: 1})
		if collector.KindOf(err) != collector.Port || !strings.Contains(err.Error(), says) {
			t.Errorf("got %v, want %s", err, says)
		}
	}
}

// Every exception code of the published table has words: Modbus Application Protocol
// V1.1b3, 7.
func TestExceptionsHaveWords(t *testing.T) {
	t.Parallel()
	for _, code := range []byte{1, 2, 3, 4, 5, 6, 8, 10, 11} {
		if text := (&exceptionError{code: code}).Error(); !strings.Contains(text, ", ") {
			t.Errorf("code %d: %s", code, text)
		}
	}
}
