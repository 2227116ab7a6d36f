package hwmon

import (
	"context"
	"errors"
	"math"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"ebbwatch/collector"
	"ebbwatch/collector/decode/decodetest"
	"ebbwatch/collector/reading"
)

// plant makes a tree like the kernel's: devices below devices/, the classes as links.
func plant(t *testing.T, files map[string]string) string {
	t.Helper()
	root := t.TempDir()
	for name, content := range files {
		path := filepath.Join(root, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if to, isLink := strings.CutPrefix(content, "-> "); isLink {
			if err := os.Symlink(to, path); err != nil {
				t.Fatal(err)
			}
			continue
		}
		if err := os.WriteFile(path, []byte(content+"\n"), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return root
}

// monitor adds a shunt monitor at a device.
func monitor(files map[string]string, number, device, name string, channels map[string]string) {
	dir := "devices/i2c-1/" + device + "/hwmon/hwmon" + number
	files["class/hwmon/hwmon"+number] = "-> ../../" + dir
	files[dir+"/name"] = name
	files[dir+"/device"] = "-> ../../../" + device
	for k, v := range channels {
		files[dir+"/"+k] = v
	}
}

func converter(files map[string]string, number, device, name string, channels map[string]string) {
	dir := "devices/i2c-1/" + device + "/iio:device" + number
	files["bus/iio/devices/iio:device"+number] = "-> ../../../" + dir
	files[dir+"/name"] = name
	for k, v := range channels {
		files[dir+"/"+k] = v
	}
}

func open(t *testing.T, c class, root, yaml string) *source {
	t.Helper()
	s := decodetest.Section(t, yaml, nil)
	var conf Config
	if err := s.Decode(&conf); err != nil {
		t.Fatal(s.Problems())
	}
	points := compile(conf, c, s.Problem)
	if points == nil {
		t.Fatal(s.Problems())
	}
	return newSource(conf, c, points, root)
}

func wantValues(t *testing.T, got []reading.Value, want map[reading.Quantity]float64) {
	t.Helper()
	if len(got) != len(want) {
		t.Errorf("values %v, want %v", got, want)
	}
	for _, v := range got {
		if x, ok := want[v.Quantity]; !ok || math.Abs(v.X-x) > 1e-9 {
			t.Errorf("%v is %v, want %v", v.Quantity, v.X, x)
		}
	}
}

// Units and examples: the kernel's Documentation/hwmon/sysfs-interface and
// ABI/testing/sysfs-bus-iio. 12800 mV, 1500 mA, 19200000 µW and 25500 m°C in hwmon; raw
// 1000, offset -24 and scale 0.125 are 122 mV in iio, and 19200 raw of power there is
// milliwatts.
func TestUnits(t *testing.T) {
	t.Parallel()
	files := map[string]string{}
	monitor(files, "0", "1-0040", "ina226", map[string]string{"in1_input": "12800", "curr1_input": "-1500", "power1_input": "19200000", "temp1_input": "25500"})
	monitor(files, "1", "1-0041", "olddriver", map[string]string{"in0_input": "5000", "power1_average": "2500000"})
	converter(files, "0", "1-0048", "adc", map[string]string{
		"in_voltage0_raw": "1000", "in_voltage0_offset": "-24", "in_voltage0_scale": "0.125",
		"in_voltage1_raw": "2000", "in_voltage_scale": "3.000000000",
		"in_voltage2-voltage3_raw": "-100", "in_voltage-voltage_scale": "0.5",
		"in_power0_raw": "19200", "in_power_scale": "1", "in_current0_raw": "1500", "in_current0_scale": "1",
		"in_temp_raw": "250", "in_temp_scale": "100", "in_temp_offset": "5", "in_temp_ambient_input": "21500"})
	root := plant(t, files)
	for _, row := range []struct {
		name string
		c    class
		yaml string
		want map[reading.Quantity]float64
	}{
		{"hwmon", hwmonClass(), "{chip: ina226, in1: battery_volts, curr1: battery_amps, power1: load_watts, temp1: air_celsius}",
			map[reading.Quantity]float64{reading.BatteryVolts: 12.8, reading.BatteryAmps: -1.5, reading.LoadWatts: 19.2, reading.AirCelsius: 25.5}},
		{"power as an average", hwmonClass(), "{chip: olddriver, in0: load_volts, power1: load_watts}",
			map[reading.Quantity]float64{reading.LoadVolts: 5, reading.LoadWatts: 2.5}},
		{"sign and divider", hwmonClass(), "{chip: ina226, curr1: {quantity: battery_amps, scale: -1}, in1: {quantity: pv_volts, scale: 2, offset: 0.3}}",
			map[reading.Quantity]float64{reading.BatteryAmps: 1.5, reading.PanelVolts: 25.9}},
		{"iio", iioClass(), "{chip: adc, in_voltage0: load_volts, in_voltage1: battery_volts, in_power0: load_watts, in_current0: load_amps, in_temp: battery_celsius, in_temp_ambient: air_celsius}",
			map[reading.Quantity]float64{reading.LoadVolts: 0.122, reading.BatteryVolts: 6, reading.LoadWatts: 19.2, reading.LoadAmps: 1.5, reading.BatteryCelsius: 25.5, reading.AirCelsius: 21.5}},
		{"differential, to amperes", iioClass(), "{chip: adc, in_voltage2-voltage3: {quantity: battery_amps, scale: 100}}",
			map[reading.Quantity]float64{reading.BatteryAmps: -5}},
	} {
		t.Run(row.name, func(t *testing.T) {
			t.Parallel()
			v, err := open(t, row.c, root, row.yaml).Read(t.Context())
			if err != nil {
				t.Error(err)
			}
			wantValues(t, v, row.want)
		})
	}
}

func TestWhichChip(t *testing.T) {
	t.Parallel()
	files := map[string]string{}
	monitor(files, "0", "1-0040", "ina226", map[string]string{"in1_input": "12800"})
	monitor(files, "3", "1-0041", "ina226", map[string]string{"in1_input": "13800"})
	monitor(files, "4", "1-0048", "lm75", map[string]string{"temp1_input": "20000"})
	root, empty := plant(t, files), t.TempDir()
	for _, row := range []struct {
		name, root, yaml string
		volts            float64
		err              string
	}{
		{"two of a name", root, "{chip: ina226, in1: battery_volts}", 0, "cannot tell which ina226 is meant: there are 2; set device to one of 1-0040, 1-0041"},
		{"by device", root, "{chip: ina226, device: 1-0041, in1: battery_volts}", 13.8, ""},
		{"by path", root, "{chip: ina226, device: i2c-1/1-0040, in1: battery_volts}", 12.8, ""},
		{"other chip at the device", root, "{chip: ina226, device: 1-0048, in1: battery_volts}", 0, "cannot find ina226 at 1-0048: there is ina226 (1-0040), ina226 (1-0041), lm75 (1-0048)"},
		{"no such chip", root, "{chip: ina219, in1: battery_volts}", 0, "cannot find a chip named ina219: there is ina226 (1-0040), ina226 (1-0041), lm75 (1-0048)"},
		{"no chips", empty, "{chip: ina219, in1: battery_volts}", 0, "cannot find a chip named ina219: there is none at all; is the driver loaded?"},
	} {
		t.Run(row.name, func(t *testing.T) {
			t.Parallel()
			v, err := open(t, hwmonClass(), row.root, row.yaml).Read(t.Context())
			if row.err == "" {
				wantValues(t, v, map[reading.Quantity]float64{reading.BatteryVolts: row.volts})
			}
			if (err != nil) != (row.err != "") || err != nil && err.Error() != row.err {
				t.Errorf("error %v, want %s", err, row.err)
			}
		})
	}
}

// A chip that comes back under another number is the same chip.
func TestRenumbered(t *testing.T) {
	t.Parallel()
	files := map[string]string{}
	monitor(files, "7", "1-0040", "ina226", map[string]string{"in1_input": "12800"})
	root := plant(t, files)
	src := open(t, hwmonClass(), root, "{chip: ina226, in1: battery_volts}")
	if _, err := src.Read(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := os.Rename(filepath.Join(root, "class/hwmon/hwmon7"), filepath.Join(root, "class/hwmon/hwmon2")); err != nil {
		t.Fatal(err)
	}
	v, err := src.Read(t.Context())
	if err != nil {
		t.Error(err)
	}
	wantValues(t, v, map[reading.Quantity]float64{reading.BatteryVolts: 12.8})
}

func TestTroubles(t *testing.T) {
	t.Parallel()
	files := map[string]string{}
	monitor(files, "0", "1-0040", "box", map[string]string{
		"in1_input": "12800", "temp1_input": "85000", "temp1_fault": "1", "temp2_input": "20000", "temp2_fault": "0",
		"in2_input": "N/A", "in3_input": "", "in4_input": "99000", "in5_input": "1e3"})
	monitor(files, "1", "28-0001", oneWire, map[string]string{"temp1_input": "85000"})
	monitor(files, "2", "28-0002", "w1far", map[string]string{"temp1_input": "127937"})
	converter(files, "0", "1-0048", "adc", map[string]string{"in_voltage0_raw": "1000"})
	root := plant(t, files)
	for _, row := range []struct {
		name string
		c    class
		yaml string
		kind collector.ErrorKind
		says string
	}{
		{"broken sensor", hwmonClass(), "{chip: box, temp1: air_celsius}", collector.Refused, "cannot read temp1 of box: its sensor is broken or not connected"},
		{"not a number", hwmonClass(), "{chip: box, in2: battery_volts}", collector.Refused, `cannot read in2 of box: "N/A" is no number: invalid syntax`},
		{"nothing", hwmonClass(), "{chip: box, in3: battery_volts}", collector.Refused, `cannot read in3 of box: "" is no number: invalid syntax`},
		{"exponent", hwmonClass(), "{chip: box, in5: battery_volts}", collector.Refused, `cannot read in5 of box: "1e3" is no number: invalid syntax`},
		{"impossible", hwmonClass(), "{chip: box, in4: battery_volts}", collector.Refused, "cannot believe in4 of box: battery_volts cannot be 99 V"},
		{"no such channel", hwmonClass(), "{chip: box, curr1: battery_amps}", collector.Port, "cannot read curr1 of box: no such file or directory"},
		{"no power", hwmonClass(), "{chip: w1far, temp1: battery_celsius}", collector.Refused, "cannot believe temp1 of w1far: battery_celsius cannot be 127.937 °C"},
		{"no scale", iioClass(), "{chip: adc, in_voltage0: battery_volts}", collector.Port, "cannot read in_voltage0 of adc: the driver gives no scale: no such file or directory"},
	} {
		t.Run(row.name, func(t *testing.T) {
			t.Parallel()
			v, err := open(t, row.c, root, row.yaml).Read(t.Context())
			if len(v) > 0 || err == nil || err.Error() != row.says || collector.KindOf(err) != row.kind {
				t.Errorf("values %v, %s error %v; want %s: %s", v, collector.KindOf(err), err, row.kind, row.says)
			}
		})
	}
	t.Run("others go on", func(t *testing.T) {
		t.Parallel()
		v, err := open(t, hwmonClass(), root, "{chip: box, temp1: air_celsius, temp2: battery_celsius, in1: battery_volts}").Read(t.Context())
		wantValues(t, v, map[reading.Quantity]float64{reading.BatteryVolts: 12.8, reading.BatteryCelsius: 20})
		if err == nil {
			t.Error("the broken sensor is not told")
		}
	})
	t.Run("power-up value", func(t *testing.T) {
		t.Parallel()
		v, err := open(t, hwmonClass(), root, "{chip: "+oneWire+", temp1: battery_celsius}").Read(t.Context())
		if err != nil || len(v) != 1 || v[0].Suspect == "" {
			t.Errorf("%v, %v", v, err)
		}
	})
}

// A pipe with a writer and nothing in it answers EAGAIN, as a driver does that is not
// ready; os.ReadFile would wait for ever.
func TestNotReady(t *testing.T) {
	t.Parallel()
	files := map[string]string{}
	monitor(files, "0", "1-0040", "box", map[string]string{"in1_input": "12800"})
	root := plant(t, files)
	pipe := filepath.Join(root, "devices/i2c-1/1-0040/hwmon/hwmon0/in2_input")
	if err := syscall.Mkfifo(pipe, 0o600); err != nil {
		t.Fatal(err)
	}
	hold, err := os.OpenFile(pipe, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer hold.Close()
	src := open(t, hwmonClass(), root, "{chip: box, in1: battery_volts, in2: load_volts}")
	v, err := src.Read(t.Context())
	wantValues(t, v, map[reading.Quantity]float64{reading.BatteryVolts: 12.8})
	if !errors.Is(err, errNotReady) || collector.KindOf(err) != collector.Timeout || !strings.Contains(err.Error(), "cannot read in2 of box") {
		t.Errorf("error %v", err)
	}
	if _, err := hold.WriteString("13000\n"); err != nil {
		t.Fatal(err)
	}
	if v, err := src.Read(t.Context()); err != nil || len(v) != 2 {
		t.Errorf("once ready: %v, %v", v, err)
	}
}

func TestSortOut(t *testing.T) {
	t.Parallel()
	for no, want := range map[syscall.Errno]error{syscall.EAGAIN: errNotReady, syscall.EBUSY: errNotReady, syscall.ETIMEDOUT: errNotReady, syscall.ENODATA: errOff, syscall.EIO: syscall.EIO, syscall.ENXIO: syscall.ENXIO} {
		if got := sortOut(no); !errors.Is(got, want) || !errors.Is(got, no) {
			t.Errorf("%v becomes %v", no, got)
		}
	}
}

// A driver that hangs holds up nothing but itself, and its late answer is not used.
func TestHangingDriver(t *testing.T) {
	t.Parallel()
	release := make(chan struct{})
	c := hwmonClass()
	c.read = func(string, string) (float64, error) { <-release; return 12, nil }
	files := map[string]string{}
	monitor(files, "0", "1-0040", "box", nil)
	src := open(t, c, plant(t, files), "{chip: box, in1: battery_volts}")
	for range 2 {
		ctx, cancel := context.WithTimeout(t.Context(), 30*time.Millisecond)
		v, err := src.Read(ctx)
		cancel()
		if len(v) > 0 || collector.KindOf(err) != collector.Timeout || !strings.Contains(err.Error(), "its driver does not answer") {
			t.Errorf("%v, %v", v, err)
		}
	}
	close(release)
	for range 100 { // the late answer may take a moment to come in
		v, err := src.Read(t.Context())
		if err == nil {
			wantValues(t, v, map[reading.Quantity]float64{reading.BatteryVolts: 12})
			return
		}
		if len(v) > 0 {
			t.Fatalf("the late answer was used: %v", v)
		}
	}
	t.Error("never recovered")
}

func TestConfig(t *testing.T) {
	t.Parallel()
	for _, row := range []struct {
		name string
		kind collector.Kind
		yaml string
		want string
	}{
		{"good", Kind(), "{chip: ina226, in1: battery_volts, power1_average: load_watts}", ""},
		{"good iio", IIOKind(), "{chip: adc, in_voltage0-voltage1: battery_volts}", ""},
		{"no chip", Kind(), "{in1: battery_volts}", "chip is missing"},
		{"no channel", Kind(), "{chip: ina226}", "names no channel such as in1, curr1, power1 or temp1"},
		{"bad channel", Kind(), "{chip: ina226, volt1: battery_volts}", "volt1: is not a channel such as in1, curr1, power1 or temp1"},
		{"file of a channel", Kind(), "{chip: ina226, in1_max: battery_volts}", "in1_max: is not a channel such as in1, curr1, power1 or temp1"},
		{"channel of the other class", IIOKind(), "{chip: adc, in1: battery_volts}", "in1: is not a channel such as in_voltage0, in_current0, in_power0 or in_temp"},
		{"outside", IIOKind(), "{chip: adc, in_voltage0/../x: battery_volts}", "in_voltage0/../x: is not a channel such as in_voltage0, in_current0, in_power0 or in_temp"},
		{"raw", IIOKind(), "{chip: adc, in_voltage0_raw: battery_volts}", "in_voltage0_raw: is not a channel such as in_voltage0, in_current0, in_power0 or in_temp"},
		{"unknown quantity", Kind(), "{chip: ina226, in1: volts}", `in1: "volts" is not a quantity`},
		{"mistyped quantity", Kind(), "{chip: ina226, in1: batery_volts}", `in1: "batery_volts" is not a quantity (did you mean "battery_volts"?)`},
		{"wrong unit", Kind(), "{chip: ina226, in1: battery_amps}", "in1: measures V, and battery_amps is in A: give the scale from one to the other"},
		{"twice", Kind(), "{chip: ina226, in1: battery_volts, in2: battery_volts}", "in2: battery_volts is already read from in1"},
		{"no scale", Kind(), "{chip: ina226, in1: {quantity: battery_volts, scale: 0}}", "in1: scale is zero"},
	} {
		t.Run(row.name, func(t *testing.T) {
			t.Parallel()
			s := decodetest.Section(t, row.yaml, nil)
			src, err := row.kind.New(s)
			if got := decodetest.Problems(s); got != row.want || (err == nil) != (row.want == "") || (src == nil) != (err != nil) {
				t.Errorf("problems %q, error %v; want %q", got, err, row.want)
			}
		})
	}
}

func TestSamples(t *testing.T) {
	t.Parallel()
	for _, k := range []collector.Kind{Kind(), IIOKind()} {
		_, section, _ := strings.Cut(k.Sample, ": ")
		s := decodetest.Section(t, section, nil)
		if _, err := k.New(s); err != nil {
			t.Errorf("%s: %v", k.Name, s.Problems())
		}
	}
}

func FuzzNumber(f *testing.F) {
	for _, s := range []string{"12800", "-1500", "0.125", "", "N/A", "1e9", "0x10", "nan", "--1", "3.000000000"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		x, err := parseNumber(text)
		if err == nil && (math.IsNaN(x) || math.IsInf(x, 0)) {
			t.Errorf("%q became %v", text, x)
		}
		if err != nil && x != 0 {
			t.Errorf("%q gives %v beside an error", text, x)
		}
	})
}

func FuzzChannel(f *testing.F) {
	for _, s := range []string{"in1", "power1_average", "in_voltage0-voltage1", "in_temp_ambient", "in1_max", "../in1", "in_voltage0-current1"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, name string) {
		for _, c := range []class{hwmonClass(), iioClass()} {
			if unit, ok := c.kindOf(name); ok && (unit == "" || strings.ContainsAny(name, "/.")) {
				t.Errorf("%s accepts %q with unit %q", c.key, name, unit)
			}
		}
	})
}
