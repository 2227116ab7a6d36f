package main

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ebbwatch/collector/needtest"
	"ebbwatch/collector/nodestate"
)

// body fetches a page of the daemon.
func body(t *testing.T, url string) string {
	t.Helper()
	resp, err := http.Get(url)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// wattsMap is the register map of the device that the test's program plays.
const wattsMap = `registers:
  - {quantity: battery_volts, address: 40, scale: 0.01}
  - {quantity: battery_amps, address: 41, type: s16, scale: 0.01}
  - {quantity: pv_volts, address: 42, scale: 0.001}
  - {quantity: pv_amps, address: 43, scale: 0.001}
  - {quantity: charge_amps, address: 44, scale: 0.001}
  - {quantity: load_amps, address: 45, scale: 0.001}
  - {quantity: pv_watts, address: 47, scale: 0.1}
`

// A panel power of ten times and a voltage of a tenth come over a wire whose far end is a program
// in Python: within seconds they stand struck in the state and nowhere among the metrics, and when
// the device is right again so is the metric.
func TestDoubtFromTheWireToTheMetrics(t *testing.T) {
	t.Parallel()
	cmd := exec.CommandContext(t.Context(), needtest.Python(t), "../../collector/survey/testdata/slave.py", "watts")
	in, _ := cmd.StdinPipe()
	pipe, _ := cmd.StdoutPipe()
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { cmd.Process.Kill(); cmd.Wait() })
	says := bufio.NewReader(pipe)
	where, err := says.ReadString('\n')
	if err != nil {
		t.Fatal(err)
	}
	turn := func(state string) {
		fmt.Fprintln(in, state)
		if _, err := says.ReadString('\n'); err != nil {
			t.Fatal(err)
		}
	}
	dir := t.TempDir()
	write := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
		return path
	}
	write("map.yaml", wattsMap)
	config := write("ebbwatch.yaml", fmt.Sprintf(`site: {name: slipway, latitude: 52.75, longitude: 6.57, timezone: UTC}
battery: {capacity_ah: 100, cells: 4}
array: {watts_peak: 600, tilt_deg: 60, azimuth_deg: 180}
sources:
  - {name: charger, every: 1s, modbus: {tcp: %q, unit: 1, map: map.yaml}}
web: {listen: "127.0.0.1:0"}
state: %s
`, strings.TrimSpace(where), filepath.Join(dir, "state")))
	out, stop := start(t, "run", "--config", config)
	eventually(t, 20*time.Second, "the page's address is printed", func() bool { return out.page() != "" })
	metric := func(line string) func() bool {
		return func() bool { return strings.Contains(body(t, out.page()+"/metrics"), "\nebbwatch_"+line) }
	}
	doubtful := func(q string, n int) string {
		return fmt.Sprintf("reading_doubtful{quantity=%q,source=\"charger\"} %d", q, n)
	}
	eventually(t, 30*time.Second, "the honest power is told", metric("pv_watts 85.9"))
	eventually(t, 30*time.Second, "it is believed", metric(doubtful("pv_watts", 0)))

	turn("tenfold")
	eventually(t, 30*time.Second, "the power of ten times is doubted", metric(doubtful("pv_watts", 1)))
	if text := body(t, out.page()+"/metrics"); strings.Contains(text, "pv_watts 859") || strings.Contains(text, `quantity="pv_amps",source="charger"} 1`) {
		t.Errorf("the metrics tell of ten times the power, or doubt another:\n%s", text)
	}
	turn("tenth")
	eventually(t, 30*time.Second, "the voltage of a tenth is doubted", metric(doubtful("battery_volts", 1)))
	eventually(t, 30*time.Second, "the power is believed again", metric(doubtful("pv_watts", 0)))
	if text := body(t, out.page()+"/metrics"); strings.Contains(text, "\nebbwatch_battery_volts ") {
		t.Error("the metrics tell of 1.3 V")
	}
	var st nodestate.State
	if err := json.Unmarshal([]byte(body(t, out.page()+"/api/v1/state")), &st); err != nil {
		t.Fatal(err)
	}
	if r := st.Readings[0]; r.Name != "battery_volts" || r.Suspect == "" || st.Battery.Volts != nil {
		t.Errorf("the state does not tell the voltage as doubted: %+v", r)
	}
	if page := body(t, out.page()); !strings.Contains(page, "<s>1.34 V</s>") {
		t.Error("the page does not strike the voltage")
	}
	turn("bright")
	eventually(t, 30*time.Second, "the voltage is told again", metric("battery_volts 13.45"))
	if code := stop(); code != 0 {
		t.Errorf("exit code %d:\n%s", code, out)
	}
}
