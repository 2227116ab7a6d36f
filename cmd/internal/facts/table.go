package facts

import (
	"math"
	"strconv"
	"strings"
	"time"

	"ebbwatch/collector/reading"
)

// Type is what Prometheus calls the type of a metric.
type Type string

// The types in use.
const (
	Gauge   Type = "gauge"
	Counter Type = "counter"
	// Untyped is for quantiles of what may come: the linter keeps the label quantile for
	// summaries, and those also count and sum what has been.
	Untyped Type = "untyped"
)

// Group is the part of the page that a row belongs to.
type Group string

// The groups, in the order of the page.
const (
	GroupBattery Group = "Battery"
	GroupOutlook Group = "Outlook"
	GroupSolar   Group = "Solar"
	GroupLoad    Group = "Load"
	GroupWarmth  Group = "Temperatures"
	GroupPath    Group = "Path"
	GroupSources Group = "Sources"
	GroupDaemon  Group = "Daemon"
	// GroupRules is for facts that rules alone ask for; the page does not show them.
	GroupRules Group = "Rules"
)

// Prefix stands before the name of every metric.
const Prefix = "ebbwatch_"

// Label is one label of a metric with its value.
type Label struct{ Name, Value string }

// Row is one fact: at once a metric, a line of the page and a name that a rule may use.
// A row that lacks one of the three names is not shown there.
type Row struct {
	Fact   string // the name in rules; with Labels, name/value
	Metric string // the name of the metric without [Prefix]
	Type   Type
	Help   string // one sentence without a full stop; rows of one metric share it
	Unit   string // as printed after the number; % means that the number is a ratio
	// Scale times the fact is the metric: rules speak of hours, metrics of seconds.
	Scale    float64
	Group    Group
	Label    string // on the page
	Decimals int    // on the page
	// Words says the value in words on the page, instead of the number and its unit.
	Words  func(x float64) string
	Fixed  []Label
	Labels []string // whose values Each gives with every number
	// Each calls yield with every number that is known. Infinity means beyond the horizon.
	Each func(s *Snapshot, yield func(x float64, labels ...string))
}

// Text prints a value as people read it, with its unit.
func (r Row) Text(x float64) string {
	unit := r.Unit
	switch {
	case r.Words != nil:
		return r.Words(x)
	case math.IsInf(x, 1):
		return "beyond the horizon"
	case unit == "%":
		x *= 100
	}
	n := strconv.FormatFloat(x, 'f', r.Decimals, 64)
	if zero := strings.Trim(n, "-0."); zero == "" {
		n = strings.TrimPrefix(n, "-")
	}
	n = strings.Replace(n, "-", "−", 1)
	if unit == "" {
		return n
	}
	return n + " " + unit
}

// Table is the one table of facts, in the order of the page. Rows of one metric follow
// each other.
func Table() []Row {
	var rows []Row
	for _, part := range [][]Row{
		batteryRows(), outlookRows(), adviceRows(), judgeRows(), dayRows(), solarRows(), loadRows(), warmthRows(),
		pathRows(), sourceRows(), noticeRows(), knowledgeRows(), daemonRows(), costRows(),
	} {
		rows = append(rows, part...)
	}
	for i := range rows {
		if rows[i].Scale == 0 {
			rows[i].Scale = 1
		}
		if rows[i].Type == "" {
			rows[i].Type = Gauge
		}
	}
	return rows
}

// one makes the Each of a row that has a single number.
func one(get func(*Snapshot) (float64, bool)) func(*Snapshot, func(float64, ...string)) {
	return func(s *Snapshot, yield func(float64, ...string)) {
		if x, known := get(s); known && !math.IsNaN(x) {
			yield(x)
		}
	}
}

// measured is the newest reading of a quantity, if it is fresh and not doubted.
func measured(q reading.Quantity) func(*Snapshot, func(float64, ...string)) {
	return one(func(s *Snapshot) (float64, bool) { return s.Reading[q].X, s.Reading[q].Usable() })
}

// power is one of the flows that the readings show, by the rule of [reading.Flow].
func power(of func(r *reading.Reading, volts float64) reading.Flow) func(*Snapshot, func(float64, ...string)) {
	return one(func(s *Snapshot) (float64, bool) {
		var r reading.Reading
		for q, m := range s.Reading {
			if m.Usable() {
				r.Set(reading.Quantity(q), m.X)
			}
		}
		volts, _ := r.Get(reading.BatteryVolts)
		f := of(&r, volts)
		return f.X, f.Known
	})
}

// extra is a fact that another part put into the snapshot under its name.
func extra(name string) func(*Snapshot, func(float64, ...string)) {
	return one(func(s *Snapshot) (float64, bool) {
		x, known := s.Extra[name]
		return x, known
	})
}

// yesNo says a truth in words.
func yesNo(x float64) string {
	if x > 0 {
		return "yes"
	}
	return "no"
}

// ago says seconds the way people do.
func ago(x float64) string { return Span(time.Duration(x * float64(time.Second))) }

// wattHours says joules in the unit that batteries are thought of in.
func wattHours(x float64) string { return strconv.FormatFloat(x/3600, 'f', 0, 64) + " Wh" }

func truth(yes bool) float64 {
	if yes {
		return 1
	}
	return 0
}

// since is an age in seconds, unknown when negative.
func since(d time.Duration) (float64, bool) { return d.Seconds(), d >= 0 }
