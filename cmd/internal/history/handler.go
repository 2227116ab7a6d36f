package history

import (
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"
)

// answer is the JSON of /api/v1/history. A number that is not known is null.
type answer struct {
	From       time.Time             `json:"from"`
	To         time.Time             `json:"to"`
	StepS      float64               `json:"step_seconds"`
	Resolution string                `json:"resolution"`
	Times      []time.Time           `json:"times"`
	Series     map[string]curve      `json:"series"`
	Joules     map[string][]*float64 `json:"energy_joules"`
	Damaged    int64                 `json:"damaged_rows,omitempty"`
	Notices    []json.RawMessage     `json:"notices,omitempty"`
}

type curve struct {
	Min  []*float64 `json:"min"`
	Mean []*float64 `json:"mean"`
	Max  []*float64 `json:"max"`
}

// ServeHTTP answers /api/v1/history?from&to&points&name. Times are RFC 3339 or seconds
// since 1970; without them it is the week before the newest sample. name may be given many times,
// or hold many names between commas. notices=true adds the notices that were sent in that time;
// format=csv gives all samples as [Store.Export] writes them.
func (s *Store) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	if r.URL.Query().Get("format") == "csv" {
		s.serveCSV(w, r)
		return
	}
	newest, err := s.Newest(r.Context())
	if err != nil {
		http.Error(w, err.Error(), http.StatusServiceUnavailable)
		return
	}
	q, err := parseQuery(r.URL.Query(), newest)
	if err != nil {
		http.Error(w, err.Error(), http.StatusBadRequest)
		return
	}
	if _, err := q.check(); err != nil {
		http.Error(w, err.Error(), http.StatusBadRequest)
		return
	}
	series, err := s.Lookup(r.Context(), q)
	if err != nil {
		code := http.StatusServiceUnavailable
		if strings.Contains(err.Error(), "no column") {
			code = http.StatusBadRequest
		}
		http.Error(w, err.Error(), code)
		return
	}
	a := answerOf(series)
	if r.URL.Query().Get("notices") == "true" {
		if a.Notices, err = s.Notices(r.Context(), q.From, q.To); err != nil {
			http.Error(w, err.Error(), http.StatusServiceUnavailable)
			return
		}
	}
	body, err := json.Marshal(a)
	if err != nil {
		http.Error(w, fmt.Sprintf("cannot answer: %v", err), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	_, _ = w.Write(body) // the client may be gone
}

func (s *Store) serveCSV(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	span, err := ParseSpan(q.Get("from"), q.Get("to"), time.Now())
	if err != nil {
		http.Error(w, err.Error(), http.StatusBadRequest)
		return
	}
	w.Header().Set("Content-Type", "text/csv; charset=utf-8")
	if _, err := s.Export(r.Context(), w, span[0], span[1]); err != nil {
		panic(http.ErrAbortHandler) // half a file must not pass for a whole one
	}
}

// ParseSpan reads two moments, each a day or RFC 3339. The first may be left out for the
// beginning of all, the second for now.
func ParseSpan(from, to string, now time.Time) (span [2]time.Time, err error) {
	span = [2]time.Time{time.Unix(0, 0).UTC(), now}
	for i, text := range []string{from, to} {
		if text == "" {
			continue
		}
		t, err := time.Parse(time.RFC3339, text)
		if err != nil {
			t, err = time.Parse(time.DateOnly, text)
		}
		if err != nil {
			return span, fmt.Errorf("cannot read %q: it is neither a day such as 2026-01-31 nor a moment such as 2026-01-31T09:05:00Z", text)
		}
		span[i] = t
	}
	return span, nil
}

func parseQuery(v url.Values, now time.Time) (Query, error) {
	q := Query{From: now.Add(-7 * 24 * time.Hour), To: now}
	for name, to := range map[string]*time.Time{"from": &q.From, "to": &q.To} {
		if text := v.Get(name); text != "" {
			t, err := parseTime(text)
			if err != nil {
				return q, fmt.Errorf("cannot look up the history: %s is %q, want a time such as 2026-11-24T12:00:00Z, or seconds since 1970", name, clip(text))
			}
			*to = t
		}
	}
	if text := v.Get("points"); text != "" {
		n, err := strconv.Atoi(text)
		if err != nil || n < 1 {
			return q, fmt.Errorf("cannot look up the history: points are %q, want 1 to %d", clip(text), maxPoints)
		}
		q.Points = n
	}
	for _, text := range v["name"] {
		q.Names = append(q.Names, strings.Split(text, ",")...)
	}
	return q, nil
}

func parseTime(text string) (time.Time, error) {
	if sec, err := strconv.ParseFloat(text, 64); err == nil && math.Abs(sec) < 1e11 {
		return time.UnixMilli(int64(sec * 1000)), nil
	}
	return time.Parse(time.RFC3339, text)
}

func clip(s string) string { return s[:min(len(s), 40)] }

func answerOf(s Series) answer {
	a := answer{From: s.From, To: s.To, StepS: s.Step.Seconds(), Resolution: s.Resolution, Times: s.Times,
		Series: map[string]curve{}, Joules: map[string][]*float64{}, Damaged: s.Damaged}
	if a.Times == nil {
		a.Times = []time.Time{}
	}
	for _, c := range s.Columns {
		if known(c.Mean) {
			a.Series[c.Name] = curve{nulls(c.Min), nulls(c.Mean), nulls(c.Max)}
		}
	}
	for flow, js := range s.Joules {
		if known(js) {
			a.Joules[flow] = nulls(js)
		}
	}
	return a
}

func known(xs []float64) bool {
	for _, x := range xs {
		if !math.IsNaN(x) {
			return true
		}
	}
	return false
}

func nulls(xs []float64) []*float64 {
	out := make([]*float64, len(xs))
	for i, x := range xs {
		if !math.IsNaN(x) {
			out[i] = &xs[i]
		}
	}
	return out
}
