package weather

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"slices"
	"strconv"
	"time"

	"ebbwatch/collector/reading"
	"ebbwatch/collector/regular"
)

// ReadCSV reads a file of forecasts: issued,valid,ghi_w_m2[,air_celsius], one row for each
// issue and valid hour, in any order. name is told in errors. The issues come sorted.
func ReadCSV(r io.Reader, name string) ([]*reading.Forecast, error) {
	in := csv.NewReader(r)
	in.ReuseRecord = true
	head, err := in.Read()
	if err != nil {
		return nil, fmt.Errorf("cannot read %s: %w", name, err)
	}
	at := map[string]int{}
	for i, h := range head {
		at[h] = i
	}
	for _, need := range [...]string{"issued", "valid", "ghi_w_m2"} {
		if _, ok := at[need]; !ok {
			return nil, fmt.Errorf("cannot read %s: no column %q", name, need)
		}
	}
	byIssue := map[int64]*reading.Forecast{}
	for {
		row, err := in.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, fmt.Errorf("cannot read %s: %w", name, err)
		}
		if err := takeRow(byIssue, row, at); err != nil {
			line, _ := in.FieldPos(0)
			return nil, fmt.Errorf("cannot read %s:%d: %w", name, line, err)
		}
	}
	return sorted(byIssue), nil
}

func takeRow(byIssue map[int64]*reading.Forecast, row []string, at map[string]int) error {
	issued, err := parseTime(row[at["issued"]])
	if err != nil {
		return err
	}
	valid, err := parseTime(row[at["valid"]])
	if err != nil {
		return err
	}
	h := reading.ForecastHour{Start: valid, GHI: math.NaN(), CloudRatio: math.NaN(), AirCelsius: math.NaN()}
	if h.GHI, err = cell(row, at["ghi_w_m2"]); err != nil {
		return err
	}
	if i, ok := at["air_celsius"]; ok {
		if h.AirCelsius, err = cell(row, i); err != nil {
			return err
		}
	}
	f := byIssue[issued.Unix()]
	if f == nil {
		f = &reading.Forecast{Issued: issued}
		byIssue[issued.Unix()] = f
	}
	f.Hours = append(f.Hours, h)
	return nil
}

// cell is a number, or NaN where the cell is empty.
func cell(row []string, i int) (float64, error) {
	if row[i] == "" {
		return math.NaN(), nil
	}
	x, err := strconv.ParseFloat(row[i], 64)
	if err != nil || math.IsInf(x, 0) {
		return 0, fmt.Errorf("%q is no number", row[i])
	}
	return x, nil
}

func sorted(byIssue map[int64]*reading.Forecast) []*reading.Forecast {
	var out []*reading.Forecast
	for _, f := range byIssue {
		slices.SortFunc(f.Hours, func(a, b reading.ForecastHour) int { return a.Start.Compare(b.Start) })
		out = append(out, f)
	}
	slices.SortFunc(out, func(a, b *reading.Forecast) int { return a.Issued.Compare(b.Issued) })
	return out
}

// book is a file of forecasts as it was last read.
type book struct {
	changed time.Time
	size    int64
	issues  []*reading.Forecast
}

// newest gives the newest issue that was out by now, reading the file again when it has
// changed. What was read before counts beside an error.
func (b *book) newest(path string, now time.Time) (*reading.Forecast, error) {
	err := b.refresh(path)
	var found *reading.Forecast
	for _, f := range b.issues {
		if !f.Issued.After(now) {
			found = f
		}
	}
	return found, err
}

func (b *book) refresh(path string) error {
	info, err := os.Stat(path)
	if err != nil {
		return fmt.Errorf("cannot read the forecasts: %w", err)
	}
	if info.ModTime().Equal(b.changed) && info.Size() == b.size {
		return nil
	}
	f, err := regular.Open(path)
	if err != nil {
		return fmt.Errorf("cannot read the forecasts: %w", err)
	}
	defer f.Close()
	issues, err := ReadCSV(f, path)
	if err != nil {
		return err
	}
	b.issues, b.changed, b.size = issues, info.ModTime(), info.Size()
	return nil
}
