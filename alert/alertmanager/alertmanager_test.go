package alertmanager

import (
	"bufio"
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
	"strings"
	"testing"
	"time"

	"ebbwatch/alert"
	"ebbwatch/alert/alerttest"
	"ebbwatch/alert/post"
	"ebbwatch/collector/needtest"
)

// manager is a real Alertmanager, Debian's, on a free port of this machine.
type manager struct {
	t    *testing.T
	url  string
	told chan string // "firing critical", as its own receiver heard it
}

func newManager(t *testing.T) *manager {
	t.Helper()
	program := needtest.Program(t, "prometheus-alertmanager")
	m := &manager{t: t, told: make(chan string, 100)}
	owner := httptest.NewServer(http.HandlerFunc(m.hear))
	t.Cleanup(owner.Close)
	dir := t.TempDir()
	config := filepath.Join(dir, "config.yml")
	text := fmt.Sprintf("route: {receiver: owner, group_by: [site, alertname], group_wait: 0s, group_interval: 1s, repeat_interval: 1h}\n"+
		"receivers: [{name: owner, webhook_configs: [{url: %q, send_resolved: true}]}]\n", owner.URL)
	if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(program, "--config.file="+config, "--storage.path="+dir, "--web.listen-address=127.0.0.1:0", "--cluster.listen-address=")
	log, err := cmd.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { cmd.Process.Kill(); cmd.Wait() })
	m.url = "http://" + listening(t, log)
	return m
}

// listening reads the address from the log.
func listening(t *testing.T, log io.Reader) string {
	t.Helper()
	pattern := regexp.MustCompile(`msg="Listening on" address=(127\.0\.0\.1:\d+)`)
	lines := bufio.NewScanner(log)
	for lines.Scan() {
		if m := pattern.FindStringSubmatch(lines.Text()); m != nil {
			go io.Copy(io.Discard, log)
			return m[1]
		}
	}
	t.Fatal("the Alertmanager did not start")
	return ""
}

func (m *manager) hear(_ http.ResponseWriter, r *http.Request) {
	var message struct {
		Alerts []struct {
			Status string
			Labels map[string]string
		}
	}
	if err := json.NewDecoder(r.Body).Decode(&message); err != nil {
		m.t.Error(err)
	}
	for _, a := range message.Alerts {
		m.told <- a.Status + " " + a.Labels["severity"]
	}
}

// wait reads what the owner is told until it is what is wanted.
func (m *manager) wait(want string) {
	m.t.Helper()
	for {
		select {
		case got := <-m.told:
			if got == want {
				return
			}
		case <-m.t.Context().Done():
			m.t.Fatalf("the owner was not told %q", want)
		}
	}
}

// active lists what stands in the Alertmanager.
func (m *manager) active() (severities []string, first map[string]any) {
	m.t.Helper()
	answer, err := http.Get(m.url + "/api/v2/alerts")
	if err != nil {
		m.t.Fatal(err)
	}
	defer answer.Body.Close()
	var list []map[string]any
	if err := json.NewDecoder(answer.Body).Decode(&list); err != nil {
		m.t.Fatal(err)
	}
	for _, a := range list {
		severities = append(severities, a["labels"].(map[string]any)["severity"].(string))
		first = a
	}
	return severities, first
}

// now is a notice of this moment: an Alertmanager does not take what is over.
func now(p alert.Phase, s alert.Severity, told ...alert.Severity) alert.Notice {
	n := alerttest.Notice()
	n.At = time.Now()
	n.Since, n.Phase, n.Severity = n.At.Add(-time.Hour), p, s
	n.Facts = map[string]float64{}
	for _, s := range told {
		n.Facts[alert.ToldAs+string(s)] = 1
	}
	return n
}

func TestAnAlarmFromRaiseToClear(t *testing.T) {
	t.Parallel()
	m := newManager(t)
	c := New(Config{Target: post.Target{URL: alert.Secret(m.url + "/")}, Labels: map[string]string{"team": "relays"}})
	send := func(n alert.Notice) {
		t.Helper()
		if err := c.Send(t.Context(), n); err != nil {
			t.Fatal(err)
		}
	}
	send(now(alert.Raised, alert.Warning))
	m.wait("firing warning")
	send(now(alert.Raised, alert.Warning)) // a repeat changes nothing
	got, a := m.active()
	if !slices.Equal(got, []string{"warning"}) {
		t.Fatalf("after the raise there stand %v", got)
	}
	labels, notes := a["labels"].(map[string]any), a["annotations"].(map[string]any)
	n := alerttest.Notice()
	for name, want := range map[string]string{"alertname": n.Rule, "site": n.Site, "id": n.ID, "team": "relays"} {
		if labels[name] != want {
			t.Errorf("the label %s is %v, want %s", name, labels[name], want)
		}
	}
	if notes["summary"] != n.Title || notes["description"] != n.Text || notes["advice"] != strings.Join(n.Advice, "\n") {
		t.Errorf("the annotations are %v", notes)
	}
	end, err := time.Parse(time.RFC3339, a["endsAt"].(string))
	if err != nil || time.Until(end) < 6*24*time.Hour {
		t.Errorf("without word from the node it ends at %v", a["endsAt"])
	}

	send(now(alert.Changed, alert.Critical, alert.Warning))
	m.wait("firing critical")
	if got, _ := m.active(); !slices.Equal(got, []string{"critical"}) {
		t.Errorf("after it became graver there stand %v", got)
	}
	send(now(alert.Cleared, alert.Critical, alert.Warning, alert.Critical))
	m.wait("resolved critical")
	if err := c.Resend(t.Context(), []alert.Notice{now(alert.Changed, alert.Critical)}); err != nil { // it comes late
		t.Fatal(err)
	}
	if got, _ := m.active(); len(got) != 0 {
		t.Errorf("after the clear there stand %v", got)
	}
}

// TestARestartForgets: an Alertmanager that starts anew learns what is active.
func TestARestartForgets(t *testing.T) {
	t.Parallel()
	m := newManager(t)
	c := New(Config{Target: post.Target{URL: alert.Secret(m.url)}})
	if err := c.Resend(t.Context(), nil); err != nil {
		t.Error(err)
	}
	other := now(alert.Changed, alert.Info)
	other.ID, other.Rule = "slipway.load_unmetered.20260110T110000Z.8", "load_unmetered"
	if err := c.Resend(t.Context(), []alert.Notice{now(alert.Changed, alert.Critical), other}); err != nil {
		t.Fatal(err)
	}
	got, _ := m.active()
	slices.Sort(got)
	if !slices.Equal(got, []string{"critical", "info"}) {
		t.Errorf("there stand %v", got)
	}
	if c.Every() != 2*time.Minute {
		t.Errorf("it is sent again every %v", c.Every())
	}
}

// TestAClockThatWasNeverSet: the alarm stands by the Alertmanager's clock, and ends.
func TestAClockThatWasNeverSet(t *testing.T) {
	t.Parallel()
	m := newManager(t)
	c := New(Config{Target: post.Target{URL: alert.Secret(m.url)}})
	n := now(alert.Raised, alert.Warning)
	n.At = time.Unix(5000, 0)
	n.Since = time.Unix(4000, 0)
	if err := c.Send(t.Context(), n); err != nil {
		t.Fatal(err)
	}
	m.wait("firing warning")
	n.Phase, n.Facts = alert.Cleared, map[string]float64{alert.ToldAs + "warning": 1}
	if err := c.Send(t.Context(), n); err != nil {
		t.Fatal(err)
	}
	m.wait("resolved warning")
}

func TestLeaksNoSecret(t *testing.T) {
	t.Parallel()
	refuse := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		http.Error(w, r.Header.Get("Authorization")+r.Header.Get("X-Key"), http.StatusUnauthorized)
	}))
	t.Cleanup(refuse.Close)
	host := strings.TrimPrefix(refuse.URL, "http://")
	c := Config{Target: post.Target{
		URLFile: alerttest.SecretFile(t, "http://user:pa55@"+host+"/5ecret"), Headers: map[string]alert.Secret{"X-Key": "k3y"},
		HeaderFiles: map[string]string{"Authorization": alerttest.SecretFile(t, "Bearer b3arer")},
	}}
	alerttest.LeaksNoSecret(t, New(c), c, host+": it answered 401", "pa55", "5ecret", "k3y", "b3arer")
	c.URLFile = alerttest.SecretFile(t, "5ecret")
	alerttest.LeaksNoSecret(t, New(c), c, c.URLFile, "5ecret")
	c = Config{Target: post.Target{URL: "http://127.0.0.1:1/5ecret", HeaderFiles: map[string]string{"A": "/nowhere/a"}}}
	alerttest.LeaksNoSecret(t, New(c), c, "/nowhere/a", "5ecret")
}

func TestCheck(t *testing.T) {
	t.Parallel()
	for want, c := range map[string]Config{
		"":                                    {Target: post.Target{URL: "http://a"}},
		": one of url and url_file is needed": {},
		"url_file: is given beside url: only one of them can hold":                {Target: post.Target{URL: "http://a", URLFile: "x"}},
		"url: is not an address that begins with http:// or https:// (not shown)": {Target: post.Target{URL: "a"}},
	} {
		got := ""
		c.Check(func(key, what string) { got += key + ": " + what })
		if got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	}
}

// section decodes nothing but hands over what a test says.
type section Config

func (s section) Decode(v any) error {
	*v.(*Config) = Config(s)
	return nil
}

func TestKind(t *testing.T) {
	t.Parallel()
	got := make(chan string, 1)
	s := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) { got <- r.URL.Path }))
	t.Cleanup(s.Close)
	ch, err := Kind().New(section{Target: post.Target{URL: alert.Secret(s.URL)}})
	if err != nil {
		t.Fatal(err)
	}
	if err := ch.Send(t.Context(), alerttest.Notice()); err != nil {
		t.Fatal(err)
	}
	if path := <-got; path != "/api/v2/alerts" {
		t.Errorf("it went to %s", path)
	}
}

// TestNoTwins: only what was told ends, each severity by itself.
func TestNoTwins(t *testing.T) {
	t.Parallel()
	c := New(Config{})
	for _, row := range []struct {
		n    alert.Notice
		want string
	}{
		{now(alert.Raised, alert.Warning), "warning stands"},
		{now(alert.Changed, alert.Critical, alert.Warning), "warning ends, critical stands"},
		{now(alert.Changed, alert.Warning, alert.Warning), "warning stands"},
		{now(alert.Cleared, alert.Critical, alert.Critical), "critical ends"},
		{now(alert.Cleared, alert.Warning), ""},
	} {
		var got []string
		for _, it := range c.items(row.n) {
			what := " stands"
			if end, err := time.Parse(time.RFC3339, it.EndsAt); err != nil || time.Until(end) < time.Hour {
				what = " ends"
			}
			got = append(got, it.Labels["severity"]+what)
		}
		if strings.Join(got, ", ") != row.want {
			t.Errorf("%s %s: %v, want %s", row.n.Phase, row.n.Severity, got, row.want)
		}
	}
}
