package config

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"
	_ "time/tzdata" // so that zones are found on any machine
)

// badConfigs is the folder with one mistake a file, seen from this package.
const badConfigs = "../../../testdata/badconfig"

// TestBadConfigs loads each file and compares every message with the .txt beside it.
func TestBadConfigs(t *testing.T) {
	t.Parallel()
	entries, err := os.ReadDir(badConfigs)
	if err != nil {
		t.Fatal(err)
	}
	var tried int
	for _, e := range entries {
		name, isYAML := strings.CutSuffix(e.Name(), ".yaml")
		if !isYAML {
			continue
		}
		tried++
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			want, err := os.ReadFile(filepath.Join(badConfigs, name+".txt"))
			if err != nil {
				t.Fatalf("no messages stand beside the file: %v", err)
			}
			if got := messages(t, filepath.Join(badConfigs, e.Name())); got != string(want) {
				t.Errorf("messages\n%swant\n%s", got, want)
			}
		})
	}
	if tried < 30 {
		t.Errorf("only %d bad files found in %s", tried, badConfigs)
	}
}

// TestBadConfigsArePaired finds messages without a file, and files that are neither.
func TestBadConfigsArePaired(t *testing.T) {
	t.Parallel()
	entries, err := os.ReadDir(badConfigs)
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, e := range entries {
		names = append(names, e.Name())
	}
	for _, e := range entries {
		base, isText := strings.CutSuffix(e.Name(), ".txt")
		_, isYAML := strings.CutSuffix(e.Name(), ".yaml")
		switch {
		case e.IsDir() && e.Name() == "maps", isYAML:
		case !isText:
			t.Errorf("%s is neither a configuration nor its messages", e.Name())
		case !slices.Contains(names, base+".yaml"):
			t.Errorf("%s belongs to no file", e.Name())
		}
	}
}

// messages loads a file and joins its problems, with the folder taken off.
func messages(t *testing.T, path string) string {
	t.Helper()
	cfg, problems := Load(path, fakeKinds(), All())
	if len(problems) == 0 {
		t.Fatalf("%s loads without a problem", path)
	}
	if cfg != nil {
		t.Error("a configuration came with the problems")
	}
	var b strings.Builder
	for _, p := range problems {
		b.WriteString(strings.ReplaceAll(p.String(), badConfigs+"/", "") + "\n")
	}
	return b.String()
}

// reference is the configuration that the project promises to read.
const reference = `site: {name: slipway, latitude: 52.75, longitude: 6.57, altitude_m: 12, timezone: Europe/Amsterdam,
       insolation_kwh_m2_day: [0.6, 1.2, 2.4, 4.0, 5.0, 5.3, 5.0, 4.3, 3.0, 1.7, 0.8, 0.5]}   # optional, monthly means, horizontal
battery: {capacity_ah: 80, cells: 4, reserve: 0.20, cutoff_volts: 11.6, initial_soc: 0.8}      # only capacity_ah is required
array: {watts_peak: 240, tilt_deg: 60, azimuth_deg: 180, charger: mppt}                        # azimuth from north, clockwise; mppt or pwm
sources:
  - {name: charger, every: 10s, modbus: {port: /dev/serial/by-id/usb-0001, baud: 9600, unit: 1, map: maps/charger.yaml}}
  - {name: charger2, every: 10s, modbus: {tcp: "127.0.0.1:1502", unit: 1, map: sunspec}}
  - {name: box, every: 60s, hwmon: {chip: ina226, in1: battery_volts, curr1: battery_amps}}
  - {name: path, every: 30s, ping: {hosts: {gate: 10.20.0.2, boathouse: 10.20.0.1}}}
weather: {url: "https://weather.example/", every: 3h}
alerts: {trip_hours: 1.5, rules: []}
notify:
  - {name: owner, webhook: {url_file: /etc/ebbwatch/hook.url}}
web: {listen: "127.0.0.1:9777"}
state: /var/lib/ebbwatch
`

func TestReferenceConfigLoads(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	write(t, filepath.Join(dir, "maps", "charger.yaml"), "registers: [{address: 0x100, quantity: battery_volts, scale: 0.1}]\n")
	write(t, filepath.Join(dir, "node.yaml"), reference)
	cfg := mustLoad(t, filepath.Join(dir, "node.yaml"), All())

	if cfg.Site.Name != "slipway" || cfg.Site.Latitude != 52.75 || cfg.Site.Zone.String() != "Europe/Amsterdam" {
		t.Errorf("site %+v", cfg.Site)
	}
	if len(cfg.Site.Insolation) != 12 || cfg.Site.Insolation[5] != 5.3 {
		t.Errorf("insolation %v", cfg.Site.Insolation)
	}
	m := cfg.Battery.Model()
	if m.CapacityAh != 80 || m.Cells != 4 || m.Reserve != 0.2 || m.CutoffVolts != 11.6 || m.InitialSoC != 0.8 {
		t.Errorf("battery %+v", m)
	}
	p := cfg.Place()
	if p.WattsPeak != 240 || p.TiltDeg != 60 || p.AzimuthDeg != 180 || !p.MPPT || p.AltitudeM != 12 {
		t.Errorf("place %+v", p)
	}
	var kinds []string
	for _, s := range cfg.Sources {
		kinds = append(kinds, s.Name+" "+s.Kind+" "+s.Every.String())
	}
	if want := []string{"charger modbus 10s", "charger2 modbus 10s", "box hwmon 1m0s", "path ping 30s"}; !slices.Equal(kinds, want) {
		t.Errorf("sources %q, want %q", kinds, want)
	}
	if got := cfg.Sources[3].Source.(nothing).settings.(hosts).Hosts; !slices.Equal(got, []host{{"gate", "10.20.0.2"}, {"boathouse", "10.20.0.1"}}) {
		t.Errorf("hosts %v are not in the order of the file", got)
	}
	if got := cfg.Sources[2].Source.(nothing).settings.(chips).Inputs; !reflect.DeepEqual(got, map[string]string{"in1": "battery_volts", "curr1": "battery_amps"}) {
		t.Errorf("inputs %v", got)
	}
	if got := cfg.Notify[0].Channel.(nothing).settings.(hook).URLFile; got != "/etc/ebbwatch/hook.url" {
		t.Errorf("url_file %q", got)
	}
	if cfg.Weather == nil || cfg.Weather.Every != 3*time.Hour || cfg.Web.Listen != "127.0.0.1:9777" || cfg.State != "/var/lib/ebbwatch" {
		t.Errorf("weather %+v, web %+v, state %q", cfg.Weather, cfg.Web, cfg.State)
	}
}

// small is the least that the daemon starts with.
const small = `site: {name: slipway, latitude: -35, longitude: 149}
battery: {capacity_ah: 80}
array: {watts_peak: 240, tilt_deg: 60}
sources: [{name: charger, modbus: {tcp: "127.0.0.1:1502", map: sunspec}}]
state: state
`

func TestDefaults(t *testing.T) {
	t.Parallel()
	cfg, problems := Parse("conf/node.yaml", []byte(small), fakeKinds(), All())
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	m, p := cfg.Battery.Model(), cfg.Place()
	if m.Cells != 4 || m.Reserve != 0.2 || math.Abs(m.CutoffVolts-11.6) > 1e-9 || !math.IsNaN(m.InitialSoC) || m.ZeroAmps != 0 {
		t.Errorf("battery %+v", m)
	}
	known, problems := Parse("conf/node.yaml", []byte(strings.Replace(small, "capacity_ah: 80", "capacity_ah: 80, zero_amps: 0.005", 1)), fakeKinds(), All())
	if len(problems) > 0 || known.Battery.Model().ZeroAmps != 0.005 {
		t.Errorf("with a sensor's zero known: %v %v", known, problems)
	}
	if p.AzimuthDeg != 0 || !p.MPPT || p.Zone != time.UTC {
		t.Errorf("a panel south of the equator looks north: %+v", p)
	}
	if cfg.Sources[0].Every != 10*time.Second || cfg.Web.Listen != "127.0.0.1:9777" || cfg.State != "conf/state" {
		t.Errorf("every %v, listen %q, state %q", cfg.Sources[0].Every, cfg.Web.Listen, cfg.State)
	}
	if cfg.Weather != nil || cfg.Loads != nil || len(cfg.Notify) != 0 {
		t.Error("parts came from nowhere")
	}
	var r rules
	if err := cfg.Alerts.Decode(&r); err != nil || r.TripHours != 1.5 {
		t.Errorf("alerts %+v, %v", r, err)
	}
}

func TestNeed(t *testing.T) {
	t.Parallel()
	bare := "site: {name: slipway, latitude: 1, longitude: 1}\nbattery: {capacity_ah: 80}\n"
	if _, problems := Parse("n.yaml", []byte(bare), fakeKinds(), Need{}); len(problems) > 0 {
		t.Errorf("a replay needs no sources: %v", problems)
	}
	_, problems := Parse("n.yaml", []byte(bare), fakeKinds(), All())
	want := "[n.yaml:1:1: sources is missing n.yaml:1:1: state is missing]"
	if fmt.Sprint(problems) != want {
		t.Errorf("problems %v, want %v", problems, want)
	}
	away := strings.Replace(small, "map: sunspec", "map: gone.yaml", 1)
	cfg, problems := Parse("n.yaml", []byte(away), fakeKinds(), Need{})
	if len(problems) > 0 || cfg.Sources[0].Kind != "modbus" || cfg.Sources[0].Source != nil {
		t.Errorf("a source that is not needed was built: %v", problems)
	}
	typo := strings.Replace(away, "modbus:", "modbuz:", 1)
	if _, problems = Parse("n.yaml", []byte(typo), fakeKinds(), Need{}); len(problems) != 1 {
		t.Errorf("a source that is not needed is still looked through: %v", problems)
	}
}

func TestFilesThatCannotBeRead(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	write(t, filepath.Join(dir, "empty.yaml"), "")
	write(t, filepath.Join(dir, "remarks.yaml"), "# nothing yet\n")
	write(t, filepath.Join(dir, "large.yaml"), strings.Repeat("# a long remark\n", 100_000))
	for name, want := range map[string]string{
		"missing.yaml": "cannot open this file: no such file or directory",
		".":            "cannot open this file: it is a folder: give a file",
		"empty.yaml":   "this file is empty",
		"remarks.yaml": "this file is empty",
		"large.yaml":   "this file is too large: more than 1048576 bytes",
	} {
		path := filepath.Join(dir, name)
		_, problems := Load(path, fakeKinds(), All())
		if len(problems) != 1 || problems[0].String() != path+": "+want {
			t.Errorf("%s: problems %v, want %s", name, problems, want)
		}
	}
}

func mustLoad(t *testing.T, path string, need Need) *Config {
	t.Helper()
	cfg, problems := Load(path, fakeKinds(), need)
	for _, p := range problems {
		t.Error(p)
	}
	if cfg == nil {
		t.FailNow()
	}
	return cfg
}

func write(t *testing.T, path, text string) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
}
