package facts_test

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"ebbwatch/cmd/internal/facts"
	"ebbwatch/cmd/internal/facts/factstest"
	"ebbwatch/collector/reading"
)

// Names are [a-zA-Z_:][a-zA-Z0-9_:]* and base units; counters end in _total and nothing
// else does. Source: the naming page and the OpenMetrics text of prometheus/docs, c105550a.
func TestTableNamesAreSound(t *testing.T) {
	t.Parallel()
	name := regexp.MustCompile(`^[a-z][a-z0-9_]*$`)
	named, series, last, closed := map[string]bool{}, map[string]bool{}, "", map[string]bool{}
	for _, r := range facts.Table() {
		if r.Fact != "" {
			if !name.MatchString(r.Fact) || named[r.Fact] {
				t.Errorf("fact %q is badly named or there twice", r.Fact)
			}
			named[r.Fact] = true
		}
		if r.Help == "" || r.Label == "" || r.Group == "" || r.Each == nil || strings.HasSuffix(r.Help, ".") {
			t.Errorf("row %s%s lacks help, label, group or values, or its help ends in a stop", r.Fact, r.Metric)
		}
		if r.Metric == "" {
			continue
		}
		key := r.Metric
		for _, l := range r.Fixed {
			key += "," + l.Name + "=" + l.Value
		}
		if !name.MatchString(r.Metric) || series[key] {
			t.Errorf("metric %s is badly named or there twice", key)
		}
		series[key] = true
		if (r.Type == facts.Counter) != strings.HasSuffix(r.Metric, "_total") {
			t.Errorf("metric %s: only counters end in _total", r.Metric)
		}
		if r.Metric != last && closed[r.Metric] {
			t.Errorf("the rows of metric %s are apart", r.Metric)
		}
		last, closed[r.Metric] = r.Metric, true
	}
}

func TestLookup(t *testing.T) {
	t.Parallel()
	inf := math.Inf(1)
	cases := []struct {
		name  string
		x     float64
		known bool
	}{
		{"battery_soc", 0.61, true},
		{"battery_soc_low", 0.571, true},
		{"battery_volts", 13.21, true},
		{"battery_amps", 1.85, true},
		{"load_on", 1, true},
		{"charge_state", 1, true},
		{"unmetered_watts", 1.4, true},
		{"reserve_hours_p10", 63, true},
		{"reserve_hours_p90", inf, true}, // beyond the horizon is known: the rule is false
		{"cutoff_within_72h", 0.01, true},
		{"reserve_within_168h", 0.72, true},
		{"back_hours", 0, false},
		{"no_sun_hours", 57, true},
		{"hours_since_full", 70, true},
		{"battery_full", 0, true},
		{"source_up/charger", 1, true},
		{"source_age_seconds/box", 31, true},
		{"source_every_seconds/path", 30, true},
		{"source_up", 0, false},
		{"source_up/nobody", 0, false},
		{"source_errors_total/charger/crc", 1, true},
		{"peer_up/island", 0, true},
		{"peer_rtt_seconds/island", 0, false},
		{"peer_loss_ratio/boathouse", 0.02, true},
		{"sun_elevation_degrees", 16.2, true},
		{"clock_trusted", 1, true},
		{"uptime_seconds", 180000, true},
		{"reading_age_seconds", 4, true}, // of the charger, the youngest
		{"health_ratio", 0.96, true},
		{"energy_joules_total/pv", 5.1e6, true},
		{"notices_waiting", 0, true},
		{"battery_soc/charger", 0, false},
		{"no_such_fact", 0, false},
		{"", 0, false},
	}
	get := facts.Lookup(factstest.Rich())
	for _, c := range cases {
		if x, known := get(c.name); known != c.known || known && math.Abs(x-c.x) > 1e-9 {
			t.Errorf("%q = %v, %v; want %v, %v", c.name, x, known, c.x, c.known)
		}
	}
}

// Before the first reading only what the daemon knows of itself may be known.
func TestNothingIsKnownBeforeTheFirstReading(t *testing.T) {
	t.Parallel()
	always := map[string]bool{"clock_trusted": true, "config_accepted": true, "uptime_seconds": true, "notices_waiting": true}
	get := facts.Lookup(factstest.Empty())
	for _, r := range facts.Table() {
		if x, known := get(r.Fact); known && !always[r.Fact] {
			t.Errorf("%s = %v is known before anything was read", r.Fact, x)
		}
	}
	if _, known := facts.Lookup(nil)("battery_soc"); known {
		t.Error("a fact is known without a snapshot")
	}
}

// Every quantity of a register map can be named in a rule.
func TestEveryQuantityIsAFact(t *testing.T) {
	t.Parallel()
	ix := facts.NewIndex()
	for q := range reading.NumSite {
		if of, ok := ix.Known(q.String()); !ok || of != "" {
			t.Errorf("%v is no fact", q)
		}
	}
	if of, ok := ix.Known("source_up"); !ok || of != "source" {
		t.Errorf("source_up is a fact of %q, %v; want of a source", of, ok)
	}
}

func TestPowerFallsBackToVoltsTimesAmps(t *testing.T) {
	t.Parallel()
	s := factstest.Rich()
	s.Reading[reading.LoadWatts].Known = false
	if x, known := facts.Lookup(s)("load_watts"); !known || math.Abs(x-13.19*0.87) > 1e-9 {
		t.Errorf("load_watts = %v, %v; want volts times amperes", x, known)
	}
	s.Reading[reading.LoadAmps].Known = false
	if x, known := facts.Lookup(s)("load_watts"); known {
		t.Errorf("load_watts = %v is known without amperes", x)
	}
}

// The outlook is made now and then; what is left of its hours shrinks meanwhile.
func TestHoursShrinkAsTheOutlookAges(t *testing.T) {
	t.Parallel()
	s := factstest.Rich()
	s.Outlook.At = s.Outlook.At.Add(-2 * time.Hour)
	get := facts.Lookup(s)
	for name, want := range map[string]float64{"reserve_hours_p10": 61, "reserve_hours_p90": math.Inf(1), "no_sun_hours": 55} {
		if x, known := get(name); !known || math.Abs(x-want) > 1e-9 && x != want {
			t.Errorf("%s = %v, %v; want %v", name, x, known, want)
		}
	}
	s.Outlook.At = s.Outlook.At.Add(-20 * 365 * 24 * time.Hour) // the clock was set meanwhile
	if x, _ := facts.Lookup(s)("reserve_hours_p10"); x != 63 {
		t.Errorf("after the clock was set: %v h, want 63", x)
	}
}

func TestRowText(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		row  facts.Row
		x    float64
		want string
	}{
		{facts.Row{Unit: "%"}, 0.614, "61 %"},
		{facts.Row{Unit: "A", Decimals: 2}, -1.234, "−1.23 A"},
		{facts.Row{Unit: "A", Decimals: 1}, -0.01, "0.0 A"},
		{facts.Row{}, 1, "1"},
		{facts.Row{Unit: "h"}, math.Inf(1), "beyond the horizon"},
	} {
		if got := c.row.Text(c.x); got != c.want {
			t.Errorf("Text(%v) = %q, want %q", c.x, got, c.want)
		}
	}
}

// The JSON leaves out what is not known, and never fails on what cannot be written.
func TestStateLeavesOutWhatIsNotKnown(t *testing.T) {
	t.Parallel()
	decode := func(s *facts.Snapshot) map[string]any {
		b, err := json.Marshal(facts.StateOf(s))
		if err != nil {
			t.Fatalf("cannot marshal: %v", err)
		}
		m := map[string]any{}
		if err := json.Unmarshal(b, &m); err != nil {
			t.Fatal(err)
		}
		return m
	}
	empty := decode(factstest.Empty())
	if _, there := empty["outlook"]; there {
		t.Error("there is an outlook before the first look ahead")
	}
	if b := empty["battery"].(map[string]any); len(b) != 1 || b["reserve"] != 0.2 {
		t.Errorf("battery = %v before the first reading, want the reserve alone", b)
	}
	rich := decode(factstest.Rich())
	reserve := rich["outlook"].(map[string]any)["reserve"].(map[string]any)
	if reserve["hours_p10"] != 63.0 {
		t.Errorf("hours_p10 = %v, want 63", reserve["hours_p10"])
	}
	if p90, there := reserve["hours_p90"]; there {
		t.Errorf("hours_p90 = %v, want it left out beyond the horizon", p90)
	}
	if w := reserve["within"].(map[string]any); w["24h"] != 0.0 || w["72h"] != 0.18 {
		t.Errorf("within = %v: a chance of zero is known and must stay", w)
	}
}

// EBBWATCH_GOLDEN=1 writes the table into README.md.
func TestMetricsTableIsInTheReadme(t *testing.T) {
	t.Parallel()
	file := filepath.Join("..", "..", "..", "README.md")
	readme, err := os.ReadFile(file)
	if os.IsNotExist(err) {
		t.Skip("skipped: needs README.md")
	}
	if err != nil {
		t.Fatal(err)
	}
	before, rest, found := strings.Cut(string(readme), "<!-- metrics:begin -->")
	table, after, ended := strings.Cut(rest, "<!-- metrics:end -->")
	if !found || !ended {
		t.Fatal("README.md lacks the marks <!-- metrics:begin --> and <!-- metrics:end -->")
	}
	if os.Getenv("EBBWATCH_GOLDEN") != "" {
		fresh := before + "<!-- metrics:begin -->\n" + metricsTable() + "<!-- metrics:end -->" + after
		if err := os.WriteFile(file, []byte(fresh), 0o644); err != nil {
			t.Fatal(err)
		}
		table = metricsTable()
	}
	if strings.TrimSpace(table) != strings.TrimSpace(metricsTable()) {
		t.Errorf("the table of metrics in README.md is old; it should be:\n%s", metricsTable())
	}
}

// metricsTable is the table of metrics in Markdown, made from [facts.Table], for the README.
func metricsTable() string {
	var b strings.Builder
	b.WriteString("| metric | type | labels | meaning |\n|---|---|---|---|\n")
	seen := ""
	for _, r := range facts.Table() {
		if r.Metric == "" || r.Metric == seen {
			continue
		}
		seen = r.Metric
		fmt.Fprintf(&b, "| `%s%s` | %s | %s | %s |\n", facts.Prefix, r.Metric, r.Type, strings.Join(r.LabelNames(), ", "), r.Help)
	}
	return b.String()
}
