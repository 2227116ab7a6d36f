package web_test

import (
	"bytes"
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"os/exec"
	"regexp"
	"strings"
	"testing"

	"ebbwatch/cmd/internal/facts"
	"ebbwatch/cmd/internal/facts/factstest"
	"ebbwatch/cmd/internal/web"
	"ebbwatch/collector/needtest"
	"ebbwatch/collector/nodestate"
	"ebbwatch/collector/reading"
)

func get(t *testing.T, s *facts.Snapshot, path string, header ...string) *httptest.ResponseRecorder {
	t.Helper()
	h := web.New(web.Options{Snapshot: func() *facts.Snapshot { return s }})
	r := httptest.NewRequest(http.MethodGet, path, nil)
	for i := 0; i+1 < len(header); i += 2 {
		r.Header.Set(header[i], header[i+1])
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

func TestMetricsAreThoseOfTheSnapshot(t *testing.T) {
	t.Parallel()
	body := get(t, factstest.Rich(), "/metrics").Body.String()
	for _, want := range []string{
		"\nebbwatch_battery_soc_ratio 0.61\n",
		"\nebbwatch_battery_amperes 1.85\n",
		"\nebbwatch_cutoff_seconds{quantile=\"0.1\"} 388800\n",
		"\nebbwatch_cutoff_seconds{quantile=\"0.9\"} +Inf\n",
		"\nebbwatch_reserve_probability_ratio{within=\"72h\"} 0.18\n",
		"\nebbwatch_energy_joules_total{flow=\"pv\"} 5.1e+06\n",
		"\nebbwatch_peer_up{peer=\"island\"} 0\n",
		"\nebbwatch_source_errors_total{kind=\"crc\",source=\"charger\"} 1\n",
		"\nebbwatch_notices_total{channel=\"owner\",outcome=\"sent\"} 4\n",
		"\nebbwatch_build_info{goversion=\"go1.26\",revision=\"abc1234\",version=\"1.0.0\"} 1\n",
	} {
		if !strings.Contains(body, want) {
			t.Errorf("metrics lack %q", want)
		}
	}
	if strings.Contains(body, "peer_rtt_seconds{peer=\"island\"}") || strings.Contains(body, "NaN") {
		t.Error("what is not known was exported")
	}
}

// A doubted value stands struck on the page and in the state, with the reason, and nowhere else.
func TestDoubtedIsToldAsDoubtedOnly(t *testing.T) {
	t.Parallel()
	const why = "the sign is reversed"
	s := factstest.Rich()
	for q, m := range s.Reading {
		if m.Source == "charger" {
			s.Reading[q].Suspect = why
			s.Sources[0].Doubts[reading.Quantity(q)] = why
		}
	}
	s.Reading[reading.LoadWatts].Suspect, s.Sources[0].Doubts[reading.LoadWatts] = "", ""
	body := get(t, s, "/metrics").Body.String()
	for _, name := range []string{"battery_volts", "battery_amperes", "battery_celsius", "pv_watts"} {
		if strings.Contains(body, "\nebbwatch_"+name+" ") {
			t.Errorf("%s is exported though it is doubted", name)
		}
	}
	for _, want := range []string{"\nebbwatch_load_watts 11.5\n", "\nebbwatch_reading_doubtful{quantity=\"battery_amps\",source=\"charger\"} 1\n",
		"\nebbwatch_reading_doubtful{quantity=\"load_watts\",source=\"charger\"} 0\n"} {
		if !strings.Contains(body, want) {
			t.Errorf("metrics lack %q", want)
		}
	}
	page := get(t, s, "/").Body.String()
	if !strings.Contains(page, "<s>13.21 V</s>") || !strings.Contains(page, "doubted: "+why) || strings.Contains(page, "<dd>13.21 V") {
		t.Error("the page does not strike the doubted voltage, with the reason")
	}
	var st nodestate.State
	if err := json.Unmarshal(get(t, s, "/api/v1/state").Body.Bytes(), &st); err != nil {
		t.Fatal(err)
	}
	if _, told := st.Facts["battery_volts"]; told || st.Battery.Volts != nil || st.Battery.Amps != nil {
		t.Errorf("the state tells doubted values as true: %+v", st.Battery)
	}
	if r := st.Readings[0]; r.Name != "battery_volts" || r.Value != 13.21 || r.Suspect != why {
		t.Errorf("the state must keep the doubted value with the reason: %+v", r)
	}
}

// The list is promised to whoever builds a dashboard on it.
func TestMetricNamesAreThePromisedOnes(t *testing.T) {
	t.Parallel()
	want := strings.Fields(`alert_active battery_amperes battery_celsius battery_soc_high_ratio battery_soc_low_ratio
		battery_soc_ratio battery_usable_ampere_hours battery_volts build_info clock_trusted config_accepted
		cutoff_probability_ratio cutoff_seconds energy_joules_total knowledge load_watts notices_refused_total notices_total notices_waiting
		peer_jitter_seconds peer_loss_ratio peer_rtt_p95_seconds peer_rtt_seconds peer_soc_ratio peer_up pv_watts reading_doubtful reserve_probability_ratio reserve_seconds
		source_age_seconds source_errors_total source_poll_seconds source_up`)
	found := regexp.MustCompile(`(?m)^# TYPE ebbwatch_(\S+) `).FindAllStringSubmatch(get(t, factstest.Alarmed(), "/metrics").Body.String(), -1)
	var got []string
	for _, f := range found {
		got = append(got, f[1])
	}
	if strings.Join(got, " ") != strings.Join(want, " ") {
		t.Errorf("metrics are\n%v\nwant\n%v", got, want)
	}
}

func TestUnknownIsNotExported(t *testing.T) {
	t.Parallel()
	body := get(t, factstest.Empty(), "/metrics").Body.String()
	var names []string
	for _, m := range regexp.MustCompile(`(?m)^ebbwatch_(\w+)`).FindAllStringSubmatch(body, -1) {
		names = append(names, m[1])
	}
	if got := strings.Join(names, " "); got != "build_info clock_trusted knowledge knowledge knowledge knowledge knowledge knowledge notices_waiting" {
		t.Errorf("before the first reading the metrics are %s", got)
	}
	if w := get(t, nil, "/metrics"); w.Code != http.StatusOK || strings.Contains(w.Body.String(), "ebbwatch_") {
		t.Errorf("without a snapshot: %d %q", w.Code, w.Body)
	}
}

// OpenMetrics 1.0 asks for its content type, counters without _total in TYPE, and # EOF.
// Source: prometheus/docs c105550a.
func TestOpenMetrics(t *testing.T) {
	t.Parallel()
	w := get(t, factstest.Rich(), "/metrics", "Accept", "application/openmetrics-text; version=1.0.0")
	if ct := w.Header().Get("Content-Type"); !strings.HasPrefix(ct, "application/openmetrics-text; version=1.0.0") {
		t.Errorf("Content-Type %q", ct)
	}
	body := w.Body.String()
	if !strings.HasSuffix(body, "# EOF\n") || !strings.Contains(body, "# TYPE ebbwatch_energy_joules counter\n") {
		t.Errorf("not OpenMetrics: %s", body)
	}
}

// The linter looks for the word hours anywhere in a name. The ampere-hour is the unit that
// batteries are labelled, bought and thought of in, so this one name stays, knowingly.
func TestPromtoolFindsNothingElseToSay(t *testing.T) {
	t.Parallel()
	const known = "ebbwatch_battery_usable_ampere_hours use base unit \"seconds\" instead of \"hours\""
	tool := needtest.Program(t, "promtool")
	for _, s := range []*facts.Snapshot{factstest.Rich(), factstest.Alarmed(), factstest.Empty()} {
		cmd := exec.CommandContext(t.Context(), tool, "check", "metrics")
		cmd.Stdin = bytes.NewReader(get(t, s, "/metrics").Body.Bytes())
		out, err := cmd.CombinedOutput()
		rest := strings.TrimSpace(strings.ReplaceAll(string(out), known, ""))
		if rest != "" || err != nil && len(out) == 0 {
			t.Errorf("promtool check metrics: %v\n%s", err, out)
		}
	}
}

func TestState(t *testing.T) {
	t.Parallel()
	w := get(t, factstest.Rich(), "/api/v1/state")
	var st nodestate.State
	if err := json.Unmarshal(w.Body.Bytes(), &st); err != nil {
		t.Fatal(err)
	}
	if st.Site != "slipway" || *st.Battery.SoC != 0.61 || st.Headline != "Even chance of going dark by Tuesday 1 December; 61 % ±4" {
		t.Errorf("state = %+v", st)
	}
	if w := get(t, nil, "/api/v1/state"); w.Code != http.StatusServiceUnavailable {
		t.Errorf("without a snapshot: %d", w.Code)
	}
}

func TestHealthAndReadiness(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name string
		s    *facts.Snapshot
		path string
		code int
		body string
	}{
		{"alive", nil, "/-/healthy", 200, "healthy\n"},
		{"nothing yet", nil, "/-/ready", 503, "not ready: nothing has been read yet\n"},
		{"starting", factstest.Empty(), "/-/ready", 503, "not ready\nsource charger: no reading yet\nthe wall clock is not set\n"},
		{"ready", factstest.Rich(), "/-/ready", 200, "ready\n"},
	} {
		if w := get(t, c.s, c.path); w.Code != c.code || w.Body.String() != c.body {
			t.Errorf("%s: %d %q, want %d %q", c.name, w.Code, w.Body, c.code, c.body)
		}
	}
}

func TestOnlyReading(t *testing.T) {
	t.Parallel()
	h := web.New(web.Options{Snapshot: factstest.Rich})
	for _, method := range []string{"POST", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "CONNECT", "X" + strings.Repeat("Y", 5000)} {
		for _, path := range []string{"/", "/metrics", "/api/v1/state", "/-/ready"} {
			w := httptest.NewRecorder()
			r := httptest.NewRequest("GET", path, strings.NewReader("x=1"))
			r.Method = method
			h.ServeHTTP(w, r)
			if w.Code != http.StatusMethodNotAllowed || w.Header().Get("Allow") == "" || w.Body.Len() > 200 {
				t.Errorf("%.10s %s: %d, %d bytes", method, path, w.Code, w.Body.Len())
			}
		}
	}
}

func TestPathTricks(t *testing.T) {
	t.Parallel()
	srv := httptest.NewServer(web.New(web.Options{Snapshot: factstest.Rich}))
	defer srv.Close()
	for _, path := range []string{"/assets/..%2fweb.go", "/assets/../web.go", "/assets/", "/assets/page.html", "/assets/%00", "/etc/passwd",
		"/api/v1/../../etc/passwd", "//etc/passwd", "/api/v1/history", "/assets/style.css/x", "/" + strings.Repeat("a/", 2000)} {
		r, err := http.NewRequestWithContext(t.Context(), "GET", srv.URL+path, nil)
		if err != nil {
			t.Fatal(err)
		}
		resp, err := srv.Client().Do(r)
		if err != nil {
			t.Fatal(err)
		}
		body, _ := io.ReadAll(resp.Body)
		resp.Body.Close()
		if resp.StatusCode != http.StatusNotFound || bytes.Contains(body, []byte("package web")) {
			t.Errorf("%.40s: %d %.80s", path, resp.StatusCode, body)
		}
	}
}

func TestHeadersKeepTheBrowserTame(t *testing.T) {
	t.Parallel()
	for _, path := range []string{"/", "/metrics", "/api/v1/state", "/nothing"} {
		h := get(t, factstest.Rich(), path).Header()
		for name, want := range map[string]string{
			"X-Content-Type-Options": "nosniff", "X-Frame-Options": "DENY", "Referrer-Policy": "no-referrer",
			"Cross-Origin-Resource-Policy": "same-origin", "Cache-Control": "no-store",
		} {
			if h.Get(name) != want {
				t.Errorf("%s: %s is %q, want %q", path, name, h.Get(name), want)
			}
		}
		csp := h.Get("Content-Security-Policy")
		if !strings.HasPrefix(csp, "default-src 'none';") || strings.Contains(csp, "unsafe") || strings.Contains(csp, "http") {
			t.Errorf("%s: Content-Security-Policy is %q", path, csp)
		}
	}
}
