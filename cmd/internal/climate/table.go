package climate

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
)

// quantity is what a column holds.
type quantity int

const (
	irradiation quantity = iota
	mean
	low
	high
	quantities
)

// names of the quantities, as the documented formats of public radiation and weather data have
// them, in lower case without signs: what is not in the list is no quantity.
func names() [quantities][]string {
	return [quantities][]string{
		irradiation: {"allskysfcswdwn", "ghi", "ghikwhm2", "globalhorizontalirradiation", "hhm", "hh", "hhd", "srad", "rs", "shortwaveradiationsum", "radiation", "irradiation"},
		mean:        {"t2m", "tmean", "tmeanc", "temp", "temperature", "temperature2mmean", "tavg", "t2mm"},
		low:         {"t2mmin", "tmin", "tminc", "temperature2mmin"},
		high:        {"t2mmax", "tmax", "tmaxc", "temperature2mmax"},
	}
}

func signless(name string) string {
	name, _, _ = strings.Cut(name, "[") // a unit in brackets
	return strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= '0' && r <= '9' {
			return r
		}
		return -1
	}, strings.ToLower(name))
}

func quantityOf(name string) (quantity, bool) {
	for q, all := range names() {
		if slices.Contains(all, signless(name)) {
			return quantity(q), true
		}
	}
	return 0, false
}

// table is what an answer holds, before its unit is known.
type table struct {
	rows     map[time.Time]*[quantities]float64 // by day, or by the first of a month; NaN is missing
	monthly  bool
	lat, lon float64 // that it says it is of; NaN when it does not
}

func newTable() *table {
	return &table{rows: map[time.Time]*[quantities]float64{}, lat: math.NaN(), lon: math.NaN()}
}

func (t *table) set(at time.Time, q quantity, x float64) {
	row := t.rows[at]
	if row == nil {
		row = &[quantities]float64{}
		for i := range row {
			row[i] = math.NaN()
		}
		t.rows[at] = row
	}
	// Services write -99 or -999 for a value that is missing.
	if x > -90 && x < 1e6 && !math.IsNaN(x) {
		row[q] = x
	}
}

// parse reads an answer.
func parse(body []byte) (*table, error) {
	body = bytes.TrimSpace(bytes.TrimPrefix(body, []byte("\xef\xbb\xbf")))
	switch {
	case len(body) == 0:
		return nil, errors.New("it is empty")
	case body[0] == '{' || body[0] == '[':
		return parseJSON(body)
	case body[0] == '<':
		return nil, errors.New("it is a page for a browser, not data")
	}
	return parseCSV(body)
}

// parseJSON walks the whole answer and keeps what it knows.
func parseJSON(body []byte) (*table, error) {
	var root any
	if err := json.Unmarshal(body, &root); err != nil {
		return nil, fmt.Errorf("it is no JSON to its end: %w", err)
	}
	t := newTable()
	t.walk("", root)
	if len(t.rows) == 0 {
		return nil, errors.New("no value in it has a date and a name that is known (such as GHI or T2M)")
	}
	return t, nil
}

func (t *table) walk(name string, x any) {
	switch x := x.(type) {
	case map[string]any:
		t.where(x)
		if q, known := quantityOf(name); known && t.series(q, x) {
			return
		}
		if at, monthly, ok := dateOf(func(key string) string { return text(x[key]) }); ok {
			t.monthly = t.monthly || monthly
			for key, y := range x {
				if q, known := quantityOf(key); known {
					if v, isNumber := y.(float64); isNumber {
						t.set(at, q, v)
					}
				}
			}
			return
		}
		for key, y := range x {
			t.walk(key, y)
		}
	case []any:
		if name == "coordinates" && len(x) >= 2 {
			if lon, ok := x[0].(float64); ok {
				if lat, ok := x[1].(float64); ok {
					t.lat, t.lon = lat, lon
				}
			}
		}
		for _, y := range x {
			t.walk("", y)
		}
	}
}

func (t *table) where(x map[string]any) {
	lat, okA := x["latitude"].(float64)
	lon, okB := x["longitude"].(float64)
	if okA && okB {
		t.lat, t.lon = lat, lon
	}
}

// series takes an object whose keys are dates. A thirteenth month, the mean of the year, is left
// out.
func (t *table) series(q quantity, x map[string]any) bool {
	took := false
	for key, y := range x {
		v, isNumber := y.(float64)
		if !isNumber {
			return false
		}
		if at, err := time.Parse("20060102", key); err == nil {
			t.set(at, q, v)
			took = true
		} else if at, err := time.Parse("200601", key); err == nil {
			t.set(at, q, v)
			took, t.monthly = true, true
		}
	}
	return took
}

func text(x any) string {
	switch x := x.(type) {
	case string:
		return x
	case float64:
		return strconv.FormatFloat(x, 'f', -1, 64)
	}
	return ""
}

// dateOf reads the date of a row from whatever fields it has.
func dateOf(get func(key string) string) (at time.Time, monthly, ok bool) {
	for _, key := range [...]string{"date", "Date", "DATE", "time"} {
		for _, layout := range [...]string{time.DateOnly, "20060102", "2006-01"} {
			if at, err := time.Parse(layout, get(key)); err == nil {
				return at, layout == "2006-01", true
			}
		}
	}
	number := func(keys ...string) (int, bool) {
		for _, key := range keys {
			if n, err := strconv.Atoi(strings.TrimSpace(get(key))); err == nil {
				return n, true
			}
		}
		return 0, false
	}
	year, okY := number("year", "YEAR", "Year")
	month, okM := number("month", "MO", "MONTH", "Month")
	day, okD := number("day", "DY", "DAY", "Day")
	inYear, okN := number("doy", "DOY")
	switch {
	case okY && okN:
		return time.Date(year, 1, inYear, 0, 0, 0, 0, time.UTC), false, true
	case okY && okM && month >= 1 && month <= 12:
		return time.Date(year, time.Month(month), max(day, 1), 0, 0, 0, 0, time.UTC), !okD, true
	}
	return time.Time{}, false, false
}

// parseCSV finds the header and reads the rows below it.
func parseCSV(body []byte) (*table, error) {
	t := newTable()
	comma := ','
	if bytes.Count(body, []byte{';'}) > bytes.Count(body, []byte{','}) {
		comma = ';'
	}
	r := csv.NewReader(bytes.NewReader(body))
	r.Comma, r.FieldsPerRecord, r.LazyQuotes, r.TrimLeadingSpace = comma, -1, true, true
	var header []string
	for {
		cells, err := r.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		line, _ := r.FieldPos(0)
		if err != nil {
			return nil, fmt.Errorf("line %d: %w", line, err)
		}
		if header == nil {
			t.said(strings.Join(cells, " "))
			if isHeader(cells) {
				header = cells
			}
			continue
		}
		if err := t.row(header, cells); err != nil {
			return nil, fmt.Errorf("line %d: %w", line, err)
		}
	}
	switch {
	case header == nil:
		return nil, errors.New("no line in it names a date and a value that is known (such as date,ghi_kwh_m2,t_mean)")
	case len(t.rows) == 0:
		return nil, errors.New("there are no days below the header")
	}
	return t, nil
}

// said reads coordinates out of the lines before the header.
func (t *table) said(line string) {
	for _, form := range [...]string{`(?i)lat\w*\W+(-?\d+\.?\d*)\D*?lon\w*\W+(-?\d+\.?\d*)`, `(-?\d+\.?\d*) N (-?\d+\.?\d*) E`} {
		if m := regexp.MustCompile(form).FindStringSubmatch(line); m != nil {
			t.lat, _ = strconv.ParseFloat(m[1], 64)
			t.lon, _ = strconv.ParseFloat(m[2], 64)
		}
	}
}

func isHeader(cells []string) bool {
	dated := slices.ContainsFunc(cells, func(c string) bool { return slices.Contains([]string{"date", "time", "year"}, signless(c)) })
	return dated && slices.ContainsFunc(cells, func(c string) bool { _, known := quantityOf(c); return known })
}

func (t *table) row(header, cells []string) error {
	get := func(key string) string {
		for i, name := range header {
			if i < len(cells) && strings.TrimSpace(name) == key {
				return cells[i]
			}
		}
		return ""
	}
	at, monthly, ok := dateOf(get)
	if !ok {
		if len(cells) < len(header) {
			return nil // words below the table
		}
		return fmt.Errorf("%q is no date", strings.Join(cells, ","))
	}
	t.monthly = t.monthly || monthly
	for i, name := range header {
		q, known := quantityOf(name)
		if !known || i >= len(cells) || strings.TrimSpace(cells[i]) == "" {
			continue
		}
		x, err := strconv.ParseFloat(strings.TrimSpace(cells[i]), 64)
		if err != nil {
			return fmt.Errorf("%s: %q is not a number", name, cells[i])
		}
		t.set(at, q, x)
	}
	return nil
}
