// Package deploy holds what is installed with ebbwatch. Its tests ask the programs that will
// read these files what they think of them.
package deploy_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"ebbwatch/collector/needtest"
)

func ask(t *testing.T, program string, args ...string) string {
	t.Helper()
	out, err := exec.CommandContext(t.Context(), program, args...).CombinedOutput()
	if err != nil {
		t.Errorf("%s %s: %v\n%s", filepath.Base(program), strings.Join(args, " "), err, out)
	}
	return string(out)
}

func read(t *testing.T, path string) string {
	t.Helper()
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// systemd's own judgement, from 0 (safe) to 10; with the drop-in for raw pings it may be a
// little more.
func TestUnitIsHardened(t *testing.T) {
	t.Parallel()
	analyze := needtest.Program(t, "systemd-analyze")
	for unit, limit := range map[string]float64{"ebbwatch.service": 2.0, "ebbwatch@.service": 2.0, "ebbwatch-home.service": 2.0} {
		out := ask(t, analyze, "security", "--offline=yes", "--no-pager", filepath.Join("systemd", unit))
		m := regexp.MustCompile(`Overall exposure level for \S+: ([0-9.]+)`).FindStringSubmatch(out)
		if m == nil {
			t.Fatalf("no exposure level in:\n%s", out)
		}
		if x, err := strconv.ParseFloat(m[1], 64); err != nil || x > limit {
			t.Errorf("%s has an exposure of %s, want at most %.1f:\n%s", unit, m[1], limit, out)
		}
	}
}

// systemd reads every line of the units and drop-ins as installed, without a complaint.
func TestUnitIsVerified(t *testing.T) {
	t.Parallel()
	analyze := needtest.Program(t, "systemd-analyze")
	for _, dropIn := range []string{"", "ping.conf", "secrets.conf"} {
		dir := t.TempDir()
		program := filepath.Join(dir, "ebbwatch")
		if err := os.WriteFile(program, []byte("#!/bin/sh\n"), 0o755); err != nil {
			t.Fatal(err)
		}
		for _, unit := range []string{"ebbwatch.service", "ebbwatch@watcher.service", "ebbwatch-home.service"} {
			text := read(t, filepath.Join("systemd", strings.Replace(unit, "watcher", "", 1)))
			// Neither program nor manual page are installed here.
			text = strings.ReplaceAll(text, "/usr/bin/ebbwatch", program)
			text = strings.ReplaceAll(text, "Documentation=man:ebbwatch(1)\n", "")
			path := filepath.Join(dir, unit)
			if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
				t.Fatal(err)
			}
			if dropIn != "" {
				if err := os.MkdirAll(path+".d", 0o755); err != nil {
					t.Fatal(err)
				}
				if err := os.WriteFile(filepath.Join(path+".d", dropIn), []byte(read(t, filepath.Join("systemd", dropIn))), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			out := ask(t, analyze, "verify", "--recursive-errors=no", path)
			for line := range strings.Lines(out) {
				if strings.Contains(line, "ebbwatch") || strings.Contains(line, ".conf") {
					t.Errorf("%s with %q: %s", unit, dropIn, line)
				}
			}
		}
	}
}

// What the daemon needs and a well-meant line would take away: the question whether the
// clock is kept, and the boot id. The runtime's limit of memory lies below the kernel's.
func TestUnitKeepsWhatIsNeeded(t *testing.T) {
	t.Parallel()
	text := read(t, "systemd/ebbwatch.service")
	for _, line := range []string{"ProtectClock=yes", "ProcSubset=pid", "PrivateDevices=yes", "PrivateNetwork=yes"} {
		if strings.Contains(text, "\n"+line+"\n") {
			t.Errorf("%s stops the daemon from working", line)
		}
	}
	limit := regexp.MustCompile(`GOMEMLIMIT=(\d+)MiB`).FindStringSubmatch(text)
	top := regexp.MustCompile(`MemoryMax=(\d+)M`).FindStringSubmatch(text)
	if limit == nil || top == nil {
		t.Fatal("a limit of memory is missing")
	}
	l, _ := strconv.Atoi(limit[1])
	m, _ := strconv.Atoi(top[1])
	if l < 48 || l > m*4/5 {
		t.Errorf("GOMEMLIMIT=%d MiB is not well below MemoryMax=%d M, or too low to live with", l, m)
	}
	for _, device := range []string{"char-ttyUSB", "char-ttyACM", "char-ttyS"} {
		if !strings.Contains(text, "\nDeviceAllow="+device+" rw\n") {
			t.Errorf("%s is closed", device)
		}
	}
	second := read(t, "systemd/ebbwatch@.service")
	if got, want := strings.Count(second, "\n"), strings.Count(text, "\n")+2; got != want {
		t.Errorf("the second unit has %d lines, want %d: all of the first and two remarks", got, want)
	}
}

// udev reads the rules without a complaint. It is asked to dry-run them on a line that every
// PC has, from the folder of rules that does not outlive a boot.
func TestUdevRules(t *testing.T) {
	udevadm := needtest.Program(t, "udevadm")
	device := "/sys/class/tty/ttyS0"
	if _, err := os.Stat(device); err != nil || os.Getuid() != 0 {
		t.Skip("skipped: needs root and " + device)
	}
	installed := "/run/udev/rules.d/60-ebbwatch-test.rules"
	if err := os.MkdirAll(filepath.Dir(installed), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(installed, []byte(read(t, "udev/60-ebbwatch.rules")), 0o644); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := os.Remove(installed); err != nil {
			t.Error(err)
		}
	})
	out := ask(t, udevadm, "test", "--action=add", device)
	if !strings.Contains(out, installed+":9 GROUP ") {
		t.Errorf("the rules did not apply:\n%s", out)
	}
	for line := range strings.Lines(out) {
		if strings.Contains(line, installed) && regexp.MustCompile(`(?i)invalid|unknown|ignoring|error`).MatchString(line) {
			t.Error(line)
		}
	}
}

// Prometheus and Alertmanager accept what a fleet uses, and its rules do what their tests
// say.
func TestFleetFiles(t *testing.T) {
	t.Parallel()
	promtool, amtool := needtest.Program(t, "promtool"), needtest.Program(t, "amtool")
	ask(t, promtool, "check", "config", "fleet/prometheus.yml")
	ask(t, promtool, "test", "rules", "fleet/fleet.rules.test.yml")
	if out := ask(t, amtool, "check-config", "fleet/alertmanager.yml"); !strings.Contains(out, "3 inhibit rules") {
		t.Errorf("not every rule was read:\n%s", out)
	}
	for labels, want := range map[string]string{
		"site=slipway severity=critical":         "owner",
		"site=slipway severity=info":             "page-only",
		"site=island severity=critical":          "island",
		"site=island severity=info":              "nobody",
		"site=island alertname=UpstreamSilent":   "nobody",
		"site=slipway alertname=cutoff_ahead":    "owner",
		"alertname=ManySilent severity=critical": "owner",
	} {
		args := append([]string{"config", "routes", "test", "--config.file=fleet/alertmanager.yml", "--verify.receivers=" + want}, strings.Fields(labels)...)
		ask(t, amtool, args...)
	}
}

// Every alert of the rules is in the tests of the rules.
func TestFleetRulesAreAllTested(t *testing.T) {
	t.Parallel()
	tests := read(t, "fleet/fleet.rules.test.yml")
	for _, m := range regexp.MustCompile(`(?m)^ +- alert: (\w+)`).FindAllStringSubmatch(read(t, "fleet/fleet.rules.yml"), -1) {
		if !strings.Contains(tests, "alertname: "+m[1]) {
			t.Errorf("%s is not tested", m[1])
		}
	}
}

// inboxes counts what Alertmanager tells whom.
type inboxes struct {
	mu  sync.Mutex
	got []string
}

func (b *inboxes) ServeHTTP(_ http.ResponseWriter, r *http.Request) {
	var body struct {
		Alerts []struct{ Labels map[string]string }
	}
	if err := json.NewDecoder(r.Body).Decode(&body); err != nil {
		return
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, a := range body.Alerts {
		b.got = append(b.got, strings.TrimPrefix(r.URL.Path, "/")+" "+a.Labels["alertname"]+" "+a.Labels["site"])
	}
}

func (b *inboxes) all() []string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return slices.Compact(slices.Sorted(slices.Values(b.got)))
}

// A real Alertmanager tells of the silent slipway, and not of the island that hangs on it,
// which belongs to somebody else.
func TestUpstreamOutageIsToldOnce(t *testing.T) {
	t.Parallel()
	program := needtest.Program(t, "prometheus-alertmanager")
	box := &inboxes{}
	hooks := httptest.NewServer(box)
	t.Cleanup(hooks.Close)
	text := strings.NewReplacer("http://127.0.0.1:9797", hooks.URL, "group_wait: 1m", "group_wait: 1s").Replace(read(t, "fleet/alertmanager.yml"))
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "am.yml"), []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	url := startAlertmanager(t, program, dir)
	silent := func(site, upstream string) string {
		return fmt.Sprintf(`{"labels":{"alertname":"SiteSilent","severity":"warning","site":%q,"upstream":%q}},
			{"labels":{"alertname":"UpstreamSilent","severity":"none","site":%q,"upstream":%q}}`, site, upstream, site, site)
	}
	body := "[" + silent("slipway", "boathouse") + "," + silent("island", "slipway") + "," + silent("jetty", "slipway") + "," + silent("mill", "weir") + "]"
	res, err := http.Post(url+"/api/v2/alerts", "application/json", bytes.NewReader([]byte(body)))
	if err != nil {
		t.Fatal(err)
	}
	if res.Body.Close(); res.StatusCode != http.StatusOK {
		t.Fatalf("Alertmanager answers %s", res.Status)
	}
	want := []string{"owner SiteSilent mill", "owner SiteSilent slipway"}
	deadline, tick := time.After(20*time.Second), time.NewTicker(100*time.Millisecond)
	defer tick.Stop()
	for len(box.all()) < len(want) {
		select {
		case <-deadline:
			t.Fatalf("told %q, want %q", box.all(), want)
		case <-tick.C:
		}
	}
	<-time.After(2 * time.Second) // what should not come has had its group_wait
	if got := box.all(); !slices.Equal(got, want) {
		t.Errorf("told %q, want %q", got, want)
	}
}

// startAlertmanager runs it for the length of the test and gives its address.
func startAlertmanager(t *testing.T, program, dir string) string {
	t.Helper()
	cmd := exec.Command(program, "--config.file="+filepath.Join(dir, "am.yml"), "--storage.path="+dir, "--web.listen-address=127.0.0.1:0", "--cluster.listen-address=")
	log, err := cmd.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = cmd.Process.Kill() // it has no end of its own
		_ = cmd.Wait()
	})
	address := make(chan string, 1)
	go func() {
		var seen strings.Builder
		buf := make([]byte, 4096)
		for {
			n, err := log.Read(buf)
			seen.Write(buf[:n])
			if m := regexp.MustCompile(`address=(127\.0\.0\.1:\d+)`).FindStringSubmatch(seen.String()); m != nil {
				address <- m[1]
				_, _ = io.Copy(io.Discard, log)
				return
			}
			if err != nil {
				return
			}
		}
	}()
	select {
	case a := <-address:
		return "http://" + a
	case <-time.After(20 * time.Second):
		t.Fatal("Alertmanager did not start")
		return ""
	}
}
