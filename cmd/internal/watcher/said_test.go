package watcher

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ebbwatch/alert/watch"
	"ebbwatch/cmd/internal/facts"
	"ebbwatch/cmd/internal/web"
	"ebbwatch/collector/nodestate"
	"ebbwatch/collector/reading"
	"ebbwatch/estimator/battery"
	"ebbwatch/estimator/outlook"
)

// snapshot is what a node knows at eight: 12 % left, dark about twelve, back about twenty.
func snapshot() *facts.Snapshot {
	nan := math.NaN()
	at := time.Date(2026, 1, 10, 8, 0, 0, 0, time.UTC)
	s := &facts.Snapshot{
		Site: "slipway", At: reading.Stamp{Wall: at, Mono: time.Hour, Trusted: true},
		Belief: battery.Belief{SoC: 0.12, Low: 0.08, High: 0.17, UsableAh: 80, SinceFull: -1},
		Outlook: outlook.Outlook{At: at.Add(-10 * time.Minute), BackHours: 12 + 1.0/6, BackLateHours: 36 + 1.0/6, BackSunHours: 0.9, FullSunWatts: 200, DarkHours: 8, NoSunHours: nan,
			Reserve: outlook.Window{P10: nan, P50: nan, P90: nan},
			Cutoff:  outlook.Window{P10: 2 + 1.0/6, P50: 4 + 1.0/6, P90: nan, Within: [5]float64{0.8, 0.9, 0.95, 1, 1}}},
		Peers: []facts.Peer{{Name: "gate", Known: true, Up: true, RTTSeconds: 0.01, LossRatio: 0}, {Name: "dam"}},
	}
	s.Reading[reading.PanelWatts] = facts.Measured{Known: true, X: 90, Age: time.Second}
	s.Started = reading.Stamp{Wall: at.Add(-time.Hour)}
	return s
}

// TestARealNode serves a snapshot as a node does, and reads it over HTTP: by its state and
// by its metrics, with the same understanding.
func TestARealNode(t *testing.T) {
	t.Parallel()
	far := httptest.NewServer(web.New(web.Options{Snapshot: snapshot}))
	defer far.Close()
	n := newNetwork(Access{})
	now := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC) // our clock; the node's is elsewhere
	for _, q := range []question{{kind: askState, target: far.URL + "/"}, {kind: askMetrics, target: far.URL + "/metrics"}} {
		a := n.ask(t.Context(), q)
		if !a.up || a.said == nil {
			t.Fatalf("%+v: %+v", q, a)
		}
		p := planOf(a.said, now, 240)
		near := func(got time.Time, hours float64) bool {
			return got.Sub(now.Add(time.Duration(hours*float64(time.Hour)))).Abs() < 11*time.Minute
		}
		if p.Charge != 0.12 || p.Chance != 0.8 || !near(p.From, 2) || !near(p.Likely, 4) || !p.Stated.Equal(now) {
			t.Errorf("%+v: %+v", q, p)
		}
		if q.kind == askState {
			if share, known := sunOn(a.said, 0); !near(p.Back, 12) || !near(p.Late, 36) || !known || math.Abs(share-0.45) > 0.01 || p.NeedSun != 0.9 {
				t.Errorf("back %v, at the latest %v, after %v hours of full sun; sun %v %v", p.Back, p.Late, p.NeedSun, share, known)
			}
		} else if math.Abs(p.NeedSun-0.15*80*12.8/180) > 0.01 {
			t.Errorf("by its metrics it needs %v hours of full sun", p.NeedSun)
		}
		if i := len(a.said.Peers); i == 0 || a.said.Peers[0].Name != "gate" || hears(a.said.Peers[0]) != watch.Yes {
			t.Errorf("peers %+v", a.said.Peers)
		}
		if _, err := json.Marshal(p); err != nil {
			t.Errorf("the plan cannot be kept: %v", err)
		}
	}
}

// TestAnswers are those of servers that are not as they should be.
func TestAnswers(t *testing.T) {
	t.Parallel()
	password := filepath.Join(t.TempDir(), "password")
	if err := os.WriteFile(password, []byte("s3cret\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	mux := http.NewServeMux()
	say := func(path string, f http.HandlerFunc) { mux.HandleFunc(path+"/api/v1/state", f) }
	say("/starting", func(w http.ResponseWriter, _ *http.Request) { http.Error(w, "not yet", http.StatusServiceUnavailable) })
	say("/locked", func(w http.ResponseWriter, _ *http.Request) { http.Error(w, "who are you", http.StatusUnauthorized) })
	say("/other", func(w http.ResponseWriter, _ *http.Request) { fmt.Fprint(w, `{"hello": 1}`) })
	say("/html", func(w http.ResponseWriter, _ *http.Request) { fmt.Fprint(w, `<html>`) })
	say("/long", func(w http.ResponseWriter, _ *http.Request) {
		fmt.Fprint(w, strings.Repeat("x", nodestate.MaxBytes+10))
	})
	say("/away", func(w http.ResponseWriter, r *http.Request) {
		http.Redirect(w, r, "http://127.0.0.1:1/", http.StatusFound)
	})
	say("/user", func(w http.ResponseWriter, r *http.Request) {
		if u, p, _ := r.BasicAuth(); u != "home" || p != "s3cret" {
			http.Error(w, "no", http.StatusUnauthorized)
			return
		}
		fmt.Fprint(w, `{"site": "slipway"}`)
	})
	hang := make(chan struct{})
	say("/hang", func(http.ResponseWriter, *http.Request) { <-hang })
	far := httptest.NewServer(mux)
	defer far.Close()
	defer close(hang)
	n := newNetwork(Access{User: "home", PasswordFile: password})
	for path, want := range map[string]struct {
		up   bool
		said bool
		err  string
	}{
		"/starting": {true, false, "nothing to say yet"}, "/locked": {true, false, "another user"},
		"/other": {false, false, "no state"}, "/html": {false, false, "no state"}, "/long": {false, false, "longer than"},
		"/away": {false, false, "302"}, "/gone": {false, false, "404"}, "/user": {true, true, ""}, "/hang": {false, false, "no answer in time"},
	} {
		ctx, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
		if path != "/hang" {
			cancel()
			ctx, cancel = context.WithTimeout(t.Context(), 20*time.Second)
		}
		a := n.ask(ctx, question{kind: askState, target: far.URL + path})
		cancel()
		if a.up != want.up || (a.said != nil) != want.said || want.err == "" != (a.err == nil) || a.err != nil && !strings.Contains(a.err.Error(), want.err) {
			t.Errorf("%s: %+v", path, a)
		}
		if a.err != nil && strings.Contains(a.err.Error(), "s3cret") {
			t.Errorf("the password shows: %v", a.err)
		}
	}
}

// TestConnect: a host that refuses is one that runs.
func TestConnect(t *testing.T) {
	t.Parallel()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	target := l.Addr().String()
	if a := connect(t.Context(), target); !a.up {
		t.Errorf("%+v", a)
	}
	l.Close()
	if a := connect(t.Context(), target); !a.up {
		t.Errorf("refused: %+v", a)
	}
	if a := connect(t.Context(), "127.0.0.1:99999"); a.up || a.err == nil {
		t.Errorf("no port: %+v", a)
	}
}

func TestMetricsText(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]string{
		"": "holds no metrics", "# HELP x y\n": "holds no metrics", "<html>\n": "no list of metrics", "x{a=1} 2\n": "no list of metrics", "x\n": "no list of metrics",
		"x{a=\"b\"} many\n": "no list of metrics", "up 1\n": "", "x{a=\"}\\\"\", b=\"c\",} 1.5 1700000000\n": "",
		"ebbwatch_battery_soc_ratio 0.4\nebbwatch_cutoff_seconds{quantile=\"0.1\"} +Inf\n": "",
	} {
		s, err := parseMetrics([]byte(text))
		if (err == nil) != (want == "") || err != nil && !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %q", text, err, want)
		}
		if s != nil && s.Outlook != nil && !planOf(s, time.Now(), 0).From.IsZero() {
			t.Errorf("%q: what is infinite has become a moment", text)
		}
	}
	s, err := parseMetrics([]byte(`ebbwatch_peer_up{source="path",peer="}\"",} 1 1700000000
# TYPE ebbwatch_cutoff_seconds gauge
ebbwatch_cutoff_seconds{quantile="0.5"} 7200
ebbwatch_cutoff_probability_ratio{within="24h"} 0.25
`))
	if err != nil || len(s.Peers) != 1 || s.Peers[0].Name != `}"` || !s.Peers[0].Up || *s.Outlook.Cutoff.P50 != 2 || s.Outlook.Cutoff.P10 != nil || *s.Outlook.Cutoff.Within["24h"] != 0.25 {
		t.Errorf("%+v %v", s, err)
	}
}

func TestPlanOfNonsense(t *testing.T) {
	t.Parallel()
	for _, text := range []string{
		`{"site":"x"}`, `{"site":"x","battery":{"soc":7}}`, `{"site":"x","battery":{"soc":-1}}`,
		`{"site":"x","battery":{"soc":0.5},"outlook":{"cutoff":{"hours_p10":1e300},"back_hours":-1e200}}`,
	} {
		s, err := nodestate.Parse([]byte(text))
		if err != nil {
			t.Fatal(err)
		}
		p := planOf(s, time.Now(), 100)
		if !p.From.IsZero() || !p.Back.IsZero() || p.Charge > 0.5 {
			t.Errorf("%s: %+v", text, p)
		}
	}
}

// TestLatestReturn: a node that looked ten days ahead and names no latest return is not
// late before they are over.
func TestLatestReturn(t *testing.T) {
	t.Parallel()
	now := time.Date(2026, 1, 10, 8, 0, 0, 0, time.UTC)
	for outlook, want := range map[string]time.Time{
		`{"horizon_hours":240,"back_hours":20,"back_late_hours":44}`: now.Add(44 * time.Hour),
		`{"horizon_hours":240,"back_hours":20}`:                      now.Add(240 * time.Hour),
		`{"back_hours":20}`:                                          {},
	} {
		s, err := nodestate.Parse([]byte(`{"site":"x","battery":{"soc":0.05},"outlook":` + outlook + `}`))
		if err != nil {
			t.Fatal(err)
		}
		if p := planOf(s, now, 0); !p.Late.Equal(want) {
			t.Errorf("%s: late after %v, want %v", outlook, p.Late, want)
		}
	}
}

func TestQueryAnswers(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]struct {
		age   time.Duration
		found bool
		ok    bool
	}{
		`{"status":"success","data":{"resultType":"vector","result":[{"metric":{},"value":[1700000000.1,"42.5"]}]}}`: {42500 * time.Millisecond, true, true},
		`{"status":"success","data":{"resultType":"vector","result":[]}}`:                                            {0, false, true},
		`{"status":"success","data":{"resultType":"scalar","result":[1700000000,"3"]}}`:                              {3 * time.Second, true, true},
		`{"status":"success","data":{"resultType":"scalar","result":[1700000000,"NaN"]}}`:                            {},
		`{"status":"success","data":{"resultType":"matrix","result":[[1]]}}`:                                         {},
		`{"status":"error","error":"no"}`:                                                                            {}, `<html>`: {},
	} {
		age, found, err := parseQuery([]byte(text))
		if age != want.age || found != want.found || (err == nil) != want.ok {
			t.Errorf("%s: %v %v %v", text, age, found, err)
		}
	}
}

// TestIdle: what passes the meters goes on in the dark, and is paid by the sun.
func TestIdle(t *testing.T) {
	t.Parallel()
	s, err := nodestate.Parse([]byte(`{"site":"x","battery":{"soc":0.05,"unmetered_watts":1.7},"outlook":{"full_sun_watts":200,"back_sun_hours":0.8}}`))
	if err != nil {
		t.Fatal(err)
	}
	if p := planOf(s, time.Now(), 0); math.Abs(p.Drain-2.0/200) > 1e-9 || p.NeedSun != 0.8 {
		t.Errorf("%+v", p)
	}
}
