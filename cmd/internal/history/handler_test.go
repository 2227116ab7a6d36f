package history_test

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ebbwatch/cmd/internal/history"
	"ebbwatch/collector/reading"
)

// What the client gets over the wire is what the store says.
func TestOverTheWire(t *testing.T) {
	t.Parallel()
	s := open(t, history.Options{Peers: []string{"gate"}})
	flushed(t, s, 0, 3*time.Hour, true)
	half := at(3*time.Hour, true)
	half.Reading[reading.PanelWatts].Known = false
	s.Add(half)
	srv := httptest.NewServer(s)
	defer srv.Close()
	c := history.Client{URL: srv.URL + "/"}
	for _, q := range []history.Query{
		{From: begin(), To: begin().Add(4 * time.Hour), Points: 48},
		{From: begin(), To: begin().Add(4 * time.Hour), Points: 1440, Names: []string{"pv_watts", "battery_soc"}},
		{From: begin().Add(-time.Hour), To: begin(), Points: 10},
	} {
		want := lookup(t, s, q)
		got, err := c.Lookup(t.Context(), q)
		if err != nil {
			t.Fatal(err)
		}
		if got.Step != want.Step || got.Resolution != want.Resolution || len(got.Times) != len(want.Times) {
			t.Fatalf("%+v: %v %s %d, want %v %s %d", q, got.Step, got.Resolution, len(got.Times), want.Step, want.Resolution, len(want.Times))
		}
		for _, col := range got.Columns {
			other := want.Column(col.Name)
			for i := range col.Mean {
				if math.IsNaN(col.Mean[i]) != math.IsNaN(other.Mean[i]) || col.Mean[i] != other.Mean[i] && !math.IsNaN(col.Mean[i]) {
					t.Fatalf("%s at %s: %v, want %v", col.Name, got.Times[i], col.Mean[i], other.Mean[i])
				}
			}
		}
	}
}

// Without a span it is the week before the newest sample, whatever year the node lives in.
func TestTheUsualSpan(t *testing.T) {
	t.Parallel()
	s := open(t, history.Options{})
	fill(s, 0, time.Hour, 10*time.Second, true)
	w := httptest.NewRecorder()
	s.ServeHTTP(w, httptest.NewRequest("GET", "/api/v1/history?name=battery_volts", nil))
	var a struct {
		To    time.Time   `json:"to"`
		Times []time.Time `json:"times"`
	}
	if err := json.Unmarshal(w.Body.Bytes(), &a); err != nil {
		t.Fatal(err)
	}
	if want := begin().Add(time.Hour - 10*time.Second + time.Millisecond); !a.To.Equal(want) || len(a.Times) == 0 {
		t.Errorf("it ends at %s with %d times, want %s", a.To, len(a.Times), want)
	}
}

// Notices are kept in order, wait in memory like samples, and survive a restart.
func TestNotices(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "history.db")
	s := open(t, history.Options{Path: path})
	srv := httptest.NewServer(s)
	defer srv.Close()
	c := history.Client{URL: srv.URL}
	s.Add(at(0, true))
	for i := range 4 {
		s.Note(begin().Add(time.Duration(i)*time.Hour), fmt.Appendf(nil, `{"id":"n%d"}`, i))
	}
	s.Add(at(10*time.Second, true))
	want := `[{"id":"n1"} {"id":"n2"}]`
	ask := func(from interface {
		Notices(context.Context, time.Time, time.Time) ([]json.RawMessage, error)
	}) string {
		got, err := from.Notices(t.Context(), begin().Add(time.Minute), begin().Add(3*time.Hour))
		if err != nil {
			t.Fatal(err)
		}
		return fmt.Sprintf("%s", got)
	}
	if got := ask(c); got != want {
		t.Errorf("while they wait: %s, want %s", got, want)
	}
	if err := s.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	again := open(t, history.Options{Path: path})
	if got := ask(again); got != want {
		t.Errorf("after a restart: %s, want %s", got, want)
	}
	if got := lookup(t, again, history.Query{From: begin(), To: begin().Add(time.Hour), Points: 360}); len(got.Times) != 2 {
		t.Errorf("%d samples, want the 2 that were no notices", len(got.Times))
	}
}

func TestHandlerRefusesNonsense(t *testing.T) {
	t.Parallel()
	srv := httptest.NewServer(open(t, history.Options{}))
	defer srv.Close()
	for query, want := range map[string]string{
		"from=yesterday":                     `cannot look up the history: from is "yesterday", want a time such as`,
		"to=" + strings.Repeat("9", 300):     "cannot look up the history: to is",
		"points=0":                           `points are "0", want 1 to 5000`,
		"points=5001":                        "points are 5001, must be 1 to 5000",
		"points=-3":                          "points are",
		"from=2026-11-24T12:00:00Z&to=5":     "it ends at",
		"name=volts":                         `there is no column "volts"`,
		"from=1e300":                         "from is",
		"name=battery_volts%27%3B--&points=": "there is no column",
	} {
		resp, err := http.Get(srv.URL + "/api/v1/history?" + query)
		if err != nil {
			t.Fatal(err)
		}
		body, _ := io.ReadAll(resp.Body)
		resp.Body.Close()
		if resp.StatusCode != http.StatusBadRequest || !strings.Contains(string(body), want) || len(body) > 400 {
			t.Errorf("%.60s: %d %.200s, want 400 and %q", query, resp.StatusCode, body, want)
		}
	}
	if resp, err := http.Get(srv.URL); err != nil || resp.StatusCode != http.StatusOK {
		t.Errorf("without parameters: %v %v", resp, err)
	}
}

func TestClientNamesWhatIsWrong(t *testing.T) {
	t.Parallel()
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Query().Get("points") == "7" {
			http.Error(w, "the card is gone", http.StatusServiceUnavailable)
			return
		}
		_, _ = io.WriteString(w, `{"times":["2026-11-24T12:00:00Z"],"series":{"pv_watts":{"min":[1],"mean":[],"max":[1]}}}`)
	}))
	defer srv.Close()
	for want, q := range map[string]history.Query{
		"the card is gone":   {From: begin(), To: begin().Add(1), Points: 7},
		"not as many":        {From: begin(), To: begin().Add(1)},
		"not after its star": {From: begin(), To: begin()},
	} {
		if _, err := (history.Client{URL: srv.URL}).Lookup(t.Context(), q); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v, want %s", err, want)
		}
	}
	if _, err := (history.Client{URL: "http://\x00"}).Lookup(t.Context(), history.Query{From: begin(), To: begin().Add(1)}); err == nil {
		t.Error("a bad URL is taken")
	}
}
