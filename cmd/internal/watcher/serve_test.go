package watcher

import (
	"bytes"
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"os/exec"
	"strings"
	"testing"
	"time"

	"ebbwatch/alert/watch"
	"ebbwatch/cmd/internal/facts"
	"ebbwatch/collector/needtest"
)

func viewed() *View {
	at := time.Date(2026, 1, 10, 12, 0, 0, 0, time.UTC)
	yes, no, soc, chance := true, false, 0.08, 0.9
	ago, ahead := at.Add(-2*time.Hour), at.Add(8*time.Hour)
	return &View{
		Site: "boathouse", At: at, House: Judged{Cause: watch.Fine}, Dashboard: Judged{Cause: watch.Dashboard, Alarm: true, For: []string{"the dashboard does not answer"}},
		Nodes: []NodeView{
			{Name: "gate", Heard: &yes, Judged: Judged{Cause: watch.Fine}},
			{Name: "slipway", Heard: &no, Silent: &ago, Stated: &ago, Charge: &soc, Chance: &chance, Dark: &ago, Back: &ahead, Judged: Judged{Cause: watch.ExpectedDark, For: []string{"it said so"}}},
			{Name: "dam", Heard: &no, Radio: &yes, Silent: &ago, Judged: Judged{Cause: watch.Board, Alarm: true, For: []string{"<b>radio</b> answers"}, Bring: []string{"A spare board"}}},
			{Name: "weir", Judged: Judged{Cause: watch.CannotTell}},
		},
		Channels: []facts.Channel{{Name: "owner", Waiting: 1, Outcomes: map[string]float64{"sent": 3}}}, Waiting: 1, Problems: []string{"echo: not allowed"},
	}
}

func fetch(t *testing.T, h http.Handler, method, path string, body string) *httptest.ResponseRecorder {
	t.Helper()
	out := httptest.NewRecorder()
	h.ServeHTTP(out, httptest.NewRequestWithContext(t.Context(), method, path, strings.NewReader(body)))
	return out
}

func TestServe(t *testing.T) {
	t.Parallel()
	w := &Watcher{}
	h := w.Handler()
	if got := fetch(t, h, "GET", "/", ""); got.Code != 503 {
		t.Errorf("before the first look: %d", got.Code)
	}
	if got := fetch(t, h, "GET", "/-/ready", ""); got.Code != 503 {
		t.Errorf("ready before the first look: %d", got.Code)
	}
	w.view.Store(viewed())
	page := fetch(t, h, "GET", "/", "")
	text := page.Body.String()
	for _, want := range []string{"One node is silent and should not be", "expected dark", "Battery 8 %", "back about Sat 10 Jan 20:00", "&lt;b&gt;radio", "A spare board", "echo: not allowed", "Never charge", "<dt>bring</dt>"} {
		if !strings.Contains(text, want) {
			t.Errorf("the page does not say %q:\n%s", want, text)
		}
	}
	if strings.Index(text, "<h2>dam") > strings.Index(text, "<h2>gate") || strings.Contains(text, "%!") || strings.Contains(text, "<nil>") {
		t.Errorf("the gravest is not first, or the page is broken:\n%s", text)
	}
	if page.Header().Get("Content-Security-Policy") == "" || len(text) > 20000 {
		t.Errorf("headers %v, %d bytes", page.Header(), len(text))
	}
	var v View
	if got := fetch(t, h, "GET", "/api/v1/state", ""); json.Unmarshal(got.Body.Bytes(), &v) != nil || len(v.Nodes) != 4 || v.Nodes[3].Heard != nil {
		t.Errorf("state: %s", got.Body)
	}
	for path, want := range map[string]int{"/-/healthy": 200, "/-/ready": 200, "/page.css": 200, "/nothing": 404, "/../page.html": 307} {
		if got := fetch(t, h, "GET", path, ""); got.Code != want {
			t.Errorf("%s: %d", path, got.Code)
		}
	}
	if got := fetch(t, h, "POST", "/", "x=1"); got.Code != 405 {
		t.Errorf("POST: %d", got.Code)
	}
}

// TestMetricsAreTaken: what is served is right to promtool, and says no more than is known.
func TestMetricsAreTaken(t *testing.T) {
	t.Parallel()
	w := &Watcher{}
	w.view.Store(viewed())
	text := fetch(t, w.Handler(), "GET", "/metrics", "").Body.String()
	for _, want := range []string{
		`ebbwatch_node_up{node="gate"} 1`, `ebbwatch_node_up{node="dam"} 0`, `ebbwatch_node_silent_seconds{node="slipway"} 7200`,
		`ebbwatch_node_expected_dark{node="slipway"} 1`, `ebbwatch_node_battery_soc_ratio{node="slipway"} 0.08`, `ebbwatch_dashboard_alarm 1`, `ebbwatch_house_alarm 0`,
		`ebbwatch_node_cause{node="dam",cause="node"} 1`, `ebbwatch_notices_total{channel="owner",outcome="sent"} 3`,
	} {
		if !strings.Contains(text, want+"\n") {
			t.Errorf("no %s in\n%s", want, text)
		}
	}
	if strings.Contains(text, `ebbwatch_node_up{node="weir"}`) || strings.Contains(text, `soc_ratio{node="gate"}`) {
		t.Errorf("what is not known is told:\n%s", text)
	}
	tool := needtest.Program(t, "promtool")
	cmd := exec.CommandContext(t.Context(), tool, "check", "metrics")
	cmd.Stdin = strings.NewReader(text)
	var out bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &out
	if err := cmd.Run(); err != nil {
		t.Errorf("promtool: %v\n%s", err, out.String())
	}
}
