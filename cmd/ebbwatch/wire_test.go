package main

import (
	"encoding/json"
	"fmt"
	"math"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"ebbwatch/collector/needtest"
)

// The main job on real input. The far end of the wire is written by others, once with
// python3-pymodbus and once with libmodbus; Debian's Prometheus asks for the metrics; the
// warning arrives at an HTTP server.
func TestFromTheWireToPrometheusAndTheOwner(t *testing.T) {
	for name, slave := range map[string]func(*testing.T, string){"pymodbus": pymodbus, "libmodbus": libmodbus} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			prometheus, promtool := needtest.Program(t, "prometheus"), needtest.Program(t, "promtool")
			hook := newReceiver(t)
			near, far := serialLine(t)
			slave(t, far)
			out, stop := start(t, "run", "--config", configure(t, fmt.Sprintf("port: %q, baud: 9600", near), hook.URL))
			eventually(t, 20*time.Second, "the page's address is printed", func() bool { return out.page() != "" })
			api := prometheusOf(t, prometheus, out.page())

			eventually(t, time.Minute, "Prometheus has the charge", func() bool {
				x, ok := query(t, api, "ebbwatch_battery_soc_ratio")
				return ok && x > 0 && x < 1
			})
			for expr, want := range map[string]float64{
				"ebbwatch_battery_volts": 12.75, "ebbwatch_battery_amperes": -5,
				"ebbwatch_load_watts": 63.8, `ebbwatch_source_up{source="charger"}`: 1,
			} {
				if got, ok := query(t, api, expr); !ok || math.Abs(got-want) > 1e-9 {
					t.Errorf("%s is %g (known: %t), the slave says %g", expr, got, ok, want)
				}
			}
			// 28 Ah at 5 A: hours, or days with a summer's sun, and never for ever.
			eventually(t, time.Minute, "the cut-off is projected", func() bool {
				s, ok := query(t, api, `ebbwatch_cutoff_seconds{quantile="0.5"}`)
				return ok && s > 0 && s <= 10*86400
			})
			checkMetrics(t, promtool, out.page())
			eventually(t, 30*time.Second, "the warning reaches its receiver", func() bool { return len(hook.notices("low_volts")) > 0 })
			if code := stop(); code != 0 {
				t.Errorf("exit code %d:\n%s", code, out)
			}
		})
	}
}

// serialLine is a pair of pseudo terminals joined by socat.
func serialLine(t *testing.T) (near, far string) {
	t.Helper()
	socat := needtest.Program(t, "socat")
	dir := t.TempDir()
	near, far = filepath.Join(dir, "near"), filepath.Join(dir, "far")
	program(t, "starting data transfer loop", socat, "-d", "-d", "pty,raw,echo=0,link="+near, "pty,raw,echo=0,link="+far)
	return near, far
}

func pymodbus(t *testing.T, port string) {
	t.Helper()
	python := needtest.Python(t, "pymodbus.server", "serial")
	program(t, "ready", python, append([]string{"../../testdata/slaves/pymodbus_slave.py", "rtu", port, "1"}, tired().args()...)...)
}

func libmodbus(t *testing.T, port string) {
	t.Helper()
	cc, pkgConfig := needtest.Program(t, "cc"), needtest.Program(t, "pkg-config")
	flags, err := exec.Command(pkgConfig, "--cflags", "--libs", "libmodbus").Output()
	if err != nil {
		needtest.Program(t, "libmodbus-dev")
	}
	binary := filepath.Join(t.TempDir(), "slave")
	args := append([]string{"-o", binary, "../../testdata/slaves/libmodbus_slave.c"}, strings.Fields(string(flags))...)
	if out, err := exec.Command(cc, args...).CombinedOutput(); err != nil {
		t.Fatalf("cannot compile the slave: %v\n%s", err, out)
	}
	program(t, "ready", binary, append([]string{port, "1"}, tired().args()...)...)
}

// prometheusOf runs a Prometheus that scrapes the daemon each second.
func prometheusOf(t *testing.T, prometheus, page string) (api string) {
	t.Helper()
	dir, address := t.TempDir(), freePort(t)
	write(t, filepath.Join(dir, "prometheus.yml"), fmt.Sprintf(
		"scrape_configs:\n- job_name: ebbwatch\n  scrape_interval: 1s\n  static_configs: [{targets: [%q]}]\n",
		strings.TrimPrefix(page, "http://")))
	program(t, "Server is ready to receive web requests", prometheus,
		"--config.file="+filepath.Join(dir, "prometheus.yml"), "--storage.tsdb.path="+filepath.Join(dir, "data"),
		"--web.listen-address="+address)
	return "http://" + address
}

// query asks Prometheus for one number.
func query(t *testing.T, api, expr string) (x float64, ok bool) {
	t.Helper()
	body, status := get(t, api+"/api/v1/query?query="+url.QueryEscape(expr))
	var answer struct {
		Data struct {
			Result []struct{ Value [2]any }
		}
	}
	if status != 200 || json.Unmarshal([]byte(body), &answer) != nil || len(answer.Data.Result) != 1 {
		return 0, false
	}
	x, err := strconv.ParseFloat(fmt.Sprint(answer.Data.Result[0].Value[1]), 64)
	return x, err == nil
}

// checkMetrics has promtool look at what is exported.
func checkMetrics(t *testing.T, promtool, page string) {
	t.Helper()
	body, status := get(t, page+"/metrics")
	if status != 200 {
		t.Fatalf("/metrics answers %d: %s", status, body)
	}
	cmd := exec.Command(promtool, "check", "metrics")
	cmd.Stdin = strings.NewReader(body)
	out, err := cmd.CombinedOutput()
	// Ampere-hours are the trade's unit of a battery's capacity; promtool would have it in
	// seconds. It is the one complaint that stands.
	const stands = `ebbwatch_battery_usable_ampere_hours use base unit "seconds" instead of "hours"`
	if left := strings.TrimSpace(strings.ReplaceAll(string(out), stands, "")); left != "" {
		t.Errorf("promtool check metrics: %v\n%s", err, left)
	}
}

func TestMissingPort(t *testing.T) {
	t.Parallel()
	hook := newReceiver(t)
	out, _ := start(t, "run", "--config", configure(t, `port: /dev/serial/by-id/nothing-here, baud: 9600`, hook.URL))
	eventually(t, 20*time.Second, "the log names the port", func() bool { return strings.Contains(out.String(), "/dev/serial/by-id/nothing-here") })
	eventually(t, 20*time.Second, "the daemon is ready all the same", func() bool {
		_, status := get(t, out.page()+"/-/ready")
		return status == 200
	})
	body, _ := get(t, out.page()+"/metrics")
	for _, line := range []string{`ebbwatch_source_up{source="charger"} 0`} {
		if !strings.Contains(body, line) {
			t.Errorf("/metrics lacks %s", line)
		}
	}
	if strings.Contains(body, "ebbwatch_battery_volts ") {
		t.Error("a voltage is exported although none was read")
	}
}

func TestTwoDaemonsOnOneFolder(t *testing.T) {
	t.Parallel()
	hook := newReceiver(t)
	file := configure(t, slave(t, tired()), hook.URL)
	out, _ := start(t, "run", "--config", file)
	eventually(t, 20*time.Second, "the first one runs", func() bool { return out.page() != "" })
	second, stop := start(t, "run", "--config", file)
	eventually(t, 20*time.Second, "the second one gives up", func() bool { return strings.Contains(second.String(), "another ebbwatch") })
	if code := stop(); code != 1 {
		t.Errorf("exit code %d, want 1", code)
	}
	if want := fmt.Sprintf("pid %d", os.Getpid()); !strings.Contains(second.String(), want) {
		t.Errorf("the message does not name %s: %s", want, second)
	}
}
