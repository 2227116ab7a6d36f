package remotewrite

import (
	"maps"
	"math"
	"slices"
	"strings"

	writev2 "github.com/prometheus/client_golang/exp/api/remote/genproto/v2"
	"google.golang.org/protobuf/encoding/protowire"

	"ebbwatch/cmd/internal/facts"
	"ebbwatch/cmd/internal/history"
)

// series is where a column of the history goes; a column that is no metric goes nowhere.
type series struct {
	labels []string // name, value, …, sorted by name
	scale  float64
	help   string
	kind   writev2.Metadata_MetricType
}

func seriesOf(columns []string, common map[string]string) []series {
	ix := facts.NewIndex()
	var all []series
	for _, c := range columns {
		fact, instance, _ := strings.Cut(c, "/")
		row, ok := ix.Row(fact)
		if !ok || row.Metric == "" {
			all = append(all, series{})
			continue
		}
		labels := maps.Clone(common)
		if labels == nil {
			labels = map[string]string{}
		}
		labels["__name__"] = facts.Prefix + row.Metric
		for _, l := range row.Fixed {
			labels[l.Name] = l.Value
		}
		if len(row.Labels) == 1 {
			labels[row.Labels[0]] = instance
		}
		s := series{scale: row.Scale, help: row.Help, kind: writev2.Metadata_METRIC_TYPE_GAUGE}
		if row.Type == facts.Untyped {
			s.kind = writev2.Metadata_METRIC_TYPE_UNSPECIFIED
		}
		for _, name := range slices.Sorted(maps.Keys(labels)) {
			if labels[name] != "" { // an empty label is no label
				s.labels = append(s.labels, name, labels[name])
			}
		}
		all = append(all, s)
	}
	return all
}

// lot is the samples of one series in one request, in order of time.
type lot struct {
	series
	at []int64 // ms since 1970
	x  []float64
}

func (w *Writer) gather(records []history.Record) []lot {
	records = slices.Clone(records)
	slices.SortStableFunc(records, func(a, b history.Record) int { return a.At.Compare(b.At) })
	var lots []lot
	for i, s := range w.series {
		if s.labels == nil {
			continue
		}
		l := lot{series: s}
		for _, r := range records {
			if x := r.Values[i]; !math.IsNaN(x) {
				l.at, l.x = append(l.at, r.At.UnixMilli()), append(l.x, x*s.scale)
			}
		}
		if len(l.at) > 0 {
			lots = append(lots, l)
		}
	}
	return lots
}

func count(lots []lot) int {
	n := 0
	for _, l := range lots {
		n += len(l.at)
	}
	return n
}

func requestV2(lots []lot) *writev2.Request {
	table := writev2.NewSymbolTable()
	r := &writev2.Request{}
	for _, l := range lots {
		ts := &writev2.TimeSeries{
			LabelsRefs: table.SymbolizeLabels(l.labels, nil),
			Metadata:   &writev2.Metadata{Type: l.kind, HelpRef: table.Symbolize(l.help)},
		}
		for i := range l.at {
			ts.Samples = append(ts.Samples, &writev2.Sample{Value: l.x[i], Timestamp: l.at[i]})
		}
		r.Timeseries = append(r.Timeseries, ts)
	}
	r.Symbols = table.Symbols()
	return r
}

// wire is a message that is marshalled already.
type wire []byte

// Size is the length of the message in bytes.
func (m wire) Size() int { return len(m) }

// MarshalToSizedBuffer copies the message into a buffer of its size.
func (m wire) MarshalToSizedBuffer(b []byte) (int, error) { return copy(b, m), nil }

// requestV1 marshals prometheus.WriteRequest: timeseries=1 {labels=1 {name=1 value=2}
// samples=2 {value=1 double, timestamp=2 int64 ms}}.
func requestV1(lots []lot) wire {
	var out []byte
	for _, l := range lots {
		var ts []byte
		for i := 0; i < len(l.labels); i += 2 {
			var label []byte
			label = protowire.AppendString(protowire.AppendTag(label, 1, protowire.BytesType), l.labels[i])
			label = protowire.AppendString(protowire.AppendTag(label, 2, protowire.BytesType), l.labels[i+1])
			ts = protowire.AppendBytes(protowire.AppendTag(ts, 1, protowire.BytesType), label)
		}
		for i := range l.at {
			var s []byte
			s = protowire.AppendFixed64(protowire.AppendTag(s, 1, protowire.Fixed64Type), math.Float64bits(l.x[i]))
			s = protowire.AppendVarint(protowire.AppendTag(s, 2, protowire.VarintType), uint64(l.at[i]))
			ts = protowire.AppendBytes(protowire.AppendTag(ts, 2, protowire.BytesType), s)
		}
		out = protowire.AppendBytes(protowire.AppendTag(out, 1, protowire.BytesType), ts)
	}
	return out
}
