package plantest

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"ebbwatch/collector/needtest"
)

// Entry is one published value with where it is from.
type Entry struct {
	ID       string
	Inputs   map[string]json.RawMessage
	Expected json.RawMessage
	Tolerate json.RawMessage `json:"tol"`
	Source   string
}

// Root is the folder of the project: the nearest one above that holds go.mod.
func Root(t testing.TB) string {
	t.Helper()
	dir, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	for {
		if _, err := os.Stat(filepath.Join(dir, "go.mod")); err == nil {
			return dir
		}
		if filepath.Dir(dir) == dir {
			t.Fatal("no go.mod above the test")
		}
		dir = filepath.Dir(dir)
	}
}

// Published lists the entries whose name begins with prefix. None is a failure.
func Published(t testing.TB, prefix string) []Entry {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(Root(t), "testdata", "plan", "published.json"))
	if err != nil {
		t.Fatal(err)
	}
	var all struct{ Entries []Entry }
	if err := json.Unmarshal(data, &all); err != nil {
		t.Fatal(err)
	}
	var found []Entry
	for _, e := range all.Entries {
		if strings.HasPrefix(e.ID, prefix) {
			found = append(found, e)
		}
	}
	if len(found) == 0 {
		t.Fatalf("nothing published is called %s", prefix)
	}
	return found
}

func parse[T any](data json.RawMessage) (v T) {
	if err := json.Unmarshal(data, &v); err != nil {
		panic(err) // the file is the project's own
	}
	return v
}

// In is an input that is a number.
func (e Entry) In(name string) float64 { return parse[float64](e.Inputs[name]) }

// InList is an input that is a list of numbers.
func (e Entry) InList(name string) []float64 { return parse[[]float64](e.Inputs[name]) }

// Number is the expected value, if it is one.
func (e Entry) Number() float64 { return parse[float64](e.Expected) }

// List is the expected values, if there are several.
func (e Entry) List() []float64 { return parse[[]float64](e.Expected) }

// Map is the expected values by name.
func (e Entry) Map() map[string]float64 { return parse[map[string]float64](e.Expected) }

// Tol is the tolerance, if it is a number.
func (e Entry) Tol(t testing.TB) float64 {
	t.Helper()
	var x float64
	if err := json.Unmarshal(e.Tolerate, &x); err != nil {
		t.Fatalf("%s has no tolerance", e.ID)
	}
	return x
}

// MeasuredDay is a day of a measured record. Celsius is NaN-free only where Known.
type MeasuredDay struct {
	Date    time.Time
	GHI     float64 // kWh/m²
	Celsius float64
	Known   bool
}

// Station reads a measured record. Where the data are missing the test is skipped; in the
// continuous integration it fails.
func Station(t testing.TB, name string) []MeasuredDay {
	t.Helper()
	var days []MeasuredDay
	for _, r := range needtest.Rows(t, name) {
		d := MeasuredDay{GHI: number(t, r[1])}
		var err error
		if d.Date, err = time.Parse(time.DateOnly, r[0]); err != nil {
			t.Fatal(err)
		}
		if r[2] != "" {
			d.Celsius, d.Known = number(t, r[2]), true
		}
		days = append(days, d)
	}
	return days
}

// Matrix is one of the published transition matrices of the daily clearness index.
type Matrix struct {
	Low, High float64 // of its states
	Rows      [10][10]float64
}

// Transitions reads the ten matrices (Aguiar, Collares-Pereira & Conde 1988) from the folder
// of measured data.
func Transitions(t testing.TB) []Matrix {
	t.Helper()
	var out []Matrix
	for i, r := range needtest.Rows(t, "daily_clearness_transitions_1988.csv") {
		if i%10 == 0 {
			out = append(out, Matrix{Low: number(t, r[1]), High: number(t, r[2])})
		}
		for j := range 10 {
			out[len(out)-1].Rows[i%10][j] = number(t, r[4+j])
		}
	}
	return out
}

func number(t testing.TB, s string) float64 {
	t.Helper()
	x, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return x
}
