package history

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"ebbwatch/collector/webclient"
)

// Client asks a running daemon for its history, which alone may open the file.
type Client struct {
	URL  string       // of the daemon, such as http://127.0.0.1:9777
	HTTP *http.Client // nil: one with a limit of 30 s
}

// maxAnswer bounds what is read of one answer: 5000 points of all columns are less.
const maxAnswer = 64 << 20

// Lookup answers as [Store.Lookup] does.
func (c Client) Lookup(ctx context.Context, q Query) (Series, error) {
	q, err := q.check()
	if err != nil {
		return Series{}, err
	}
	v := url.Values{"points": {fmt.Sprint(q.Points)}}
	if len(q.Names) > 0 {
		v.Set("name", strings.Join(q.Names, ","))
	}
	a, err := c.get(ctx, q.From, q.To, v)
	if err != nil {
		return Series{}, err
	}
	return a.series()
}

// Notices answers as [Store.Notices] does.
func (c Client) Notices(ctx context.Context, from, to time.Time) ([]json.RawMessage, error) {
	a, err := c.get(ctx, from, to, url.Values{"points": {"1"}, "name": {"battery_volts"}, "notices": {"true"}})
	return a.Notices, err
}

// Export writes CSV as [Store.Export] does, and counts its rows.
func (c Client) Export(ctx context.Context, out io.Writer, from, to time.Time) (int, error) {
	// The whole record of a slow board takes its time; that it answers at all does not.
	body, err := c.ask(ctx, webclient.Options{Timeout: -1, Header: 5 * time.Minute}, from, to, url.Values{"format": {"csv"}})
	if err != nil {
		return 0, err
	}
	defer body.Close()
	lines := lineCounter{out: out}
	if _, err := io.Copy(&lines, body); err != nil {
		return 0, fmt.Errorf("cannot export the history: %w", err)
	}
	return max(lines.n-1, 0), nil
}

// lineCounter counts what passes through it.
type lineCounter struct {
	out io.Writer
	n   int
}

func (l *lineCounter) Write(p []byte) (int, error) {
	l.n += bytes.Count(p, []byte("\n"))
	return l.out.Write(p)
}

func (c Client) get(ctx context.Context, from, to time.Time, v url.Values) (a answer, err error) {
	body, err := c.ask(ctx, webclient.Options{}, from, to, v)
	if err != nil {
		return a, err
	}
	defer body.Close()
	text, err := io.ReadAll(io.LimitReader(body, maxAnswer))
	if err != nil {
		return a, fmt.Errorf("cannot ask the daemon for its history: %w", err)
	}
	if err := json.Unmarshal(text, &a); err != nil {
		return a, fmt.Errorf("cannot read the daemon's history: %w", err)
	}
	return a, nil
}

// ask gives the body of a good answer.
func (c Client) ask(ctx context.Context, o webclient.Options, from, to time.Time, v url.Values) (io.ReadCloser, error) {
	v.Set("from", from.UTC().Format(time.RFC3339Nano))
	v.Set("to", to.UTC().Format(time.RFC3339Nano))
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, strings.TrimRight(c.URL, "/")+"/api/v1/history?"+v.Encode(), nil)
	if err != nil {
		return nil, errors.New("cannot ask the daemon for its history: the address is no URL such as http://127.0.0.1:9777")
	}
	resp, err := cmp.Or(c.HTTP, &webclient.New(o).Client).Do(req)
	if err != nil {
		return nil, fmt.Errorf("cannot ask the daemon for its history: %w", err)
	}
	if resp.StatusCode == http.StatusOK {
		return resp.Body, nil
	}
	defer resp.Body.Close()
	why, _ := io.ReadAll(io.LimitReader(resp.Body, 300)) // the status alone tells enough
	return nil, fmt.Errorf("cannot ask the daemon for its history: %s: %s", resp.Status, strings.TrimSpace(string(why)))
}

func (a answer) series() (Series, error) {
	s := Series{From: a.From, To: a.To, Step: time.Duration(a.StepS * float64(time.Second)), Resolution: a.Resolution,
		Times: a.Times, Damaged: a.Damaged, Joules: map[string][]float64{}}
	for name, c := range a.Series {
		if len(c.Min) != len(a.Times) || len(c.Mean) != len(a.Times) || len(c.Max) != len(a.Times) {
			return s, fmt.Errorf("cannot read the daemon's history: %s has not as many numbers as there are times", name)
		}
		s.Columns = append(s.Columns, Column{name, nans(c.Min), nans(c.Mean), nans(c.Max)})
	}
	slices.SortFunc(s.Columns, func(a, b Column) int { return strings.Compare(a.Name, b.Name) })
	for flow, js := range a.Joules {
		if len(js) == len(a.Times) {
			s.Joules[flow] = nans(js)
		}
	}
	return s, nil
}

func nans(xs []*float64) []float64 {
	out := make([]float64, len(xs))
	for i, x := range xs {
		if out[i] = math.NaN(); x != nil {
			out[i] = *x
		}
	}
	return out
}
