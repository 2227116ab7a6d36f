package web

import (
	"net/http"
	"slices"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"ebbwatch/cmd/internal/facts"
)

// exporter turns the newest snapshot into metrics. It keeps none of its own, so what is
// not known any more is gone from the next scrape, and a scrape waits for nobody.
type exporter struct {
	snapshot func() *facts.Snapshot
	rows     []metricRow
}

type metricRow struct {
	facts.Row
	desc *prometheus.Desc
	kind prometheus.ValueType
}

func newExporter(snapshot func() *facts.Snapshot) *exporter {
	e := &exporter{snapshot: snapshot}
	descs := map[string]*prometheus.Desc{}
	for _, r := range facts.Table() {
		if r.Metric == "" {
			continue
		}
		if descs[r.Metric] == nil {
			descs[r.Metric] = prometheus.NewDesc(facts.Prefix+r.Metric, r.Help, r.LabelNames(), nil)
		}
		e.rows = append(e.rows, metricRow{r, descs[r.Metric], kindOf(r.Type)})
	}
	return e
}

func kindOf(t facts.Type) prometheus.ValueType {
	switch t {
	case facts.Counter:
		return prometheus.CounterValue
	case facts.Untyped:
		return prometheus.UntypedValue
	}
	return prometheus.GaugeValue
}

// Describe names every metric that there may be.
func (e *exporter) Describe(out chan<- *prometheus.Desc) {
	for _, r := range e.rows {
		out <- r.desc
	}
}

// Collect makes one metric of every known fact of the newest snapshot.
func (e *exporter) Collect(out chan<- prometheus.Metric) {
	s := e.snapshot()
	if s == nil {
		return
	}
	for _, r := range e.rows {
		fixed := make([]string, len(r.Fixed))
		for i, l := range r.Fixed {
			fixed[i] = l.Value
		}
		r.Each(s, func(x float64, labels ...string) {
			m, err := prometheus.NewConstMetric(r.desc, r.kind, x*r.Scale, slices.Concat(fixed, labels)...)
			if err != nil {
				m = prometheus.NewInvalidMetric(r.desc, err)
			}
			out <- m
		})
	}
}

// metricsHandler serves a registry that holds the exporter and nothing else. It does not
// compress: that costs a small board more than the bytes save on a local wire.
func metricsHandler(snapshot func() *facts.Snapshot) http.Handler {
	registry := prometheus.NewRegistry()
	registry.MustRegister(newExporter(snapshot))
	return promhttp.HandlerFor(registry, promhttp.HandlerOpts{
		EnableOpenMetrics: true, DisableCompression: true, MaxRequestsInFlight: 4,
		ErrorHandling: promhttp.ContinueOnError,
	})
}
