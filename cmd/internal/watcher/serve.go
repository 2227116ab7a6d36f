package watcher

import (
	"bytes"
	"embed"
	"encoding/json"
	"fmt"
	"html/template"
	"io"
	"net/http"
	"slices"
	"time"

	dto "github.com/prometheus/client_model/go"
	"github.com/prometheus/common/expfmt"

	"ebbwatch/alert/watch"
	"ebbwatch/cmd/internal/web"
)

//go:embed page.html page.css
var assets embed.FS

//go:embed home.yaml
var sample string

// Sample is an annotated configuration of a watcher.
func Sample() string { return sample }

// Handler serves the page, the metrics, the state and whether the watcher is well. It only
// reads, and takes what it shows from views that do not change.
func (w *Watcher) Handler() http.Handler {
	page := template.Must(template.New("page.html").Funcs(template.FuncMap{
		"percent": func(x *float64) string { return fmt.Sprintf("%.0f %%", 100**x) },
		"clock":   func(t *time.Time) string { return t.Format("Mon 2 Jan 15:04") },
		"class":   class,
	}).ParseFS(assets, "page.html"))
	mux := http.NewServeMux()
	mux.HandleFunc("GET /{$}", w.with(func(out io.Writer, v *View) error { return page.Execute(out, v) }, "text/html; charset=utf-8"))
	mux.HandleFunc("GET /metrics", w.with(writeMetrics, "text/plain; version=0.0.4; charset=utf-8"))
	mux.HandleFunc("GET /api/v1/state", w.with(func(out io.Writer, v *View) error {
		enc := json.NewEncoder(out)
		enc.SetIndent("", "  ")
		return enc.Encode(v)
	}, "application/json"))
	mux.HandleFunc("GET /-/ready", w.with(func(out io.Writer, _ *View) error { return line(out, "ready") }, "text/plain"))
	mux.HandleFunc("GET /-/healthy", func(out http.ResponseWriter, _ *http.Request) { fmt.Fprintln(out, "healthy") })
	mux.HandleFunc("GET /page.css", func(out http.ResponseWriter, r *http.Request) { http.ServeFileFS(out, r, assets, "page.css") })
	return web.Guard(mux)
}

func line(out io.Writer, text string) error {
	_, err := io.WriteString(out, text+"\n")
	return err
}

// class is how a verdict looks, beside its words.
func class(j Judged) string {
	switch {
	case j.Alarm:
		return "alarm"
	case j.Cause == watch.Fine:
		return "fine"
	case j.Cause == watch.ExpectedDark:
		return "dark"
	}
	return "open"
}

// with writes a whole answer made of the newest view.
func (w *Watcher) with(write func(io.Writer, *View) error, kind string) http.HandlerFunc {
	return func(out http.ResponseWriter, _ *http.Request) {
		v := w.View()
		if v == nil {
			http.Error(out, "not ready: nobody has been asked yet", http.StatusServiceUnavailable)
			return
		}
		var b bytes.Buffer
		if err := write(&b, v); err != nil {
			http.Error(out, fmt.Sprintf("cannot show it: %v", err), http.StatusInternalServerError)
			return
		}
		out.Header().Set("Content-Type", kind)
		_, _ = out.Write(b.Bytes()) // the client may be gone; nothing depends on it
	}
}

// family is one metric with its rows.
type family struct{ dto.MetricFamily }

func newFamily(kind dto.MetricType, name, help string) *family {
	return &family{dto.MetricFamily{Name: &name, Help: &help, Type: &kind}}
}

// row adds a value; labels are names and values by turns.
func (f *family) row(x float64, labels ...string) {
	m := &dto.Metric{}
	for pair := range slices.Chunk(labels, 2) {
		m.Label = append(m.Label, &dto.LabelPair{Name: &pair[0], Value: &pair[1]})
	}
	if f.GetType() == dto.MetricType_COUNTER {
		m.Counter = &dto.Counter{Value: &x}
	} else {
		m.Gauge = &dto.Gauge{Value: &x}
	}
	f.Metric = append(f.Metric, m)
}

// column is one metric of each node.
type column struct {
	name, help string
	of         func(v *View, n NodeView) (x float64, known bool)
}

func columns() []column {
	number := func(p *float64) (float64, bool) {
		if p == nil {
			return 0, false
		}
		return *p, true
	}
	seen := func(p *bool) (float64, bool) { return truth(p != nil && *p), p != nil }
	since := func(v *View, t *time.Time) (float64, bool) {
		if t == nil {
			return 0, false
		}
		return max(0, v.At.Sub(*t).Seconds()), true
	}
	return []column{
		{"ebbwatch_node_up", "1 while the node is heard", func(_ *View, n NodeView) (float64, bool) { return seen(n.Heard) }},
		{"ebbwatch_node_radio_up", "1 while the radio of the site of the node is heard", func(_ *View, n NodeView) (float64, bool) { return seen(n.Radio) }},
		{"ebbwatch_node_silent_seconds", "Time since the node fell silent", func(v *View, n NodeView) (float64, bool) { return since(v, n.Silent) }},
		{"ebbwatch_node_expected_dark", "1 while the node is dark as it said it would be", func(_ *View, n NodeView) (float64, bool) {
			return truth(n.Cause == watch.ExpectedDark), true
		}},
		{"ebbwatch_node_alarm", "1 while the silence of the node is worth a message", func(_ *View, n NodeView) (float64, bool) { return truth(n.Alarm), true }},
		{"ebbwatch_node_stated_age_seconds", "Time since the node last said how it is", func(v *View, n NodeView) (float64, bool) { return since(v, n.Stated) }},
		{"ebbwatch_node_battery_soc_ratio", "Charge as the node last said, 0 to 1", func(_ *View, n NodeView) (float64, bool) { return number(n.Charge) }},
		{"ebbwatch_node_cutoff_probability_ratio", "Chance of a cut-off within 24 h as the node last said, 0 to 1", func(_ *View, n NodeView) (float64, bool) { return number(n.Chance) }},
	}
}

// writeMetrics writes one row a node of each metric; what is not known is left out.
func writeMetrics(out io.Writer, v *View) error {
	for _, f := range families(v) {
		if len(f.Metric) == 0 {
			continue // not known of any node
		}
		if _, err := expfmt.MetricFamilyToText(out, &f.MetricFamily); err != nil {
			return err
		}
	}
	return nil
}

func families(v *View) (all []*family) {
	add := func(kind dto.MetricType, name, help string) *family {
		all = append(all, newFamily(kind, name, help))
		return all[len(all)-1]
	}
	for _, c := range columns() {
		f := add(dto.MetricType_GAUGE, c.name, c.help)
		for _, n := range v.Nodes {
			if x, known := c.of(v, n); known {
				f.row(x, "node", n.Name)
			}
		}
	}
	causes := add(dto.MetricType_GAUGE, "ebbwatch_node_cause", "1 with what the silence of the node is put down to")
	for _, n := range v.Nodes {
		causes.row(1, "node", n.Name, "cause", string(n.Cause))
	}
	add(dto.MetricType_GAUGE, "ebbwatch_house_alarm", "1 while the fault is put down to the house").row(truth(v.House.Alarm))
	add(dto.MetricType_GAUGE, "ebbwatch_dashboard_alarm", "1 while the fault is put down to the dashboard").row(truth(v.Dashboard.Alarm))
	notices := add(dto.MetricType_COUNTER, "ebbwatch_notices_total", "Attempts to hand a notice to a channel, by outcome")
	for _, c := range v.Channels {
		for _, outcome := range []string{"sent", "failed", "refused", "dropped", "merged"} {
			notices.row(c.Outcomes[outcome], "channel", c.Name, "outcome", outcome)
		}
	}
	add(dto.MetricType_GAUGE, "ebbwatch_notices_waiting", "Notices that still wait to be sent").row(float64(v.Waiting))
	return all
}

// truth is 1 for yes and 0 for no, as metrics have it.
func truth(yes bool) float64 {
	if yes {
		return 1
	}
	return 0
}

// Gravest lists the nodes for the page: what is worth a message first, then what is silent.
func (v *View) Gravest() []NodeView {
	rank := func(n NodeView) int { return slices.Index([]string{"alarm", "open", "dark", "fine"}, class(n.Judged)) }
	list := slices.Clone(v.Nodes)
	slices.SortStableFunc(list, func(a, b NodeView) int { return rank(a) - rank(b) })
	return list
}

// Sentence is the one sentence that matters.
func (v *View) Sentence() string {
	switch n := v.alarms(); {
	case v.House.Alarm:
		return "Nothing can be heard from here: look at the house first"
	case n == 1:
		return "One node is silent and should not be"
	case n > 1:
		return fmt.Sprintf("%d nodes are silent and should not be", n)
	case v.Dashboard.Alarm:
		return "The dashboard shows nothing new; the nodes are watched apart from it"
	case v.open() > 0:
		return fmt.Sprintf("%d of %d nodes are heard or dark as they said; of the others nothing can be told yet", len(v.Nodes)-v.open(), len(v.Nodes))
	}
	return fmt.Sprintf("Nothing to do: %d nodes are heard or dark as they said", len(v.Nodes))
}

func (v *View) open() (n int) {
	for _, x := range v.Nodes {
		if class(x.Judged) == "open" {
			n++
		}
	}
	return n
}
