package replay

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"time"

	"ebbwatch/collector/reading"
)

// Row is one line of a readings file.
type Row struct {
	Time   time.Time
	Values []reading.Value
}

// Readings reads a file of readings row by row: a header with time (RFC 3339) and any of the
// quantities, in any order. Empty cells are not measured.
type Readings struct {
	csv     *csv.Reader
	name    string
	timeCol int
	columns []reading.Quantity // by column; the time column holds NumSite
}

// OpenReadings reads the header. The name is for messages.
func OpenReadings(r io.Reader, name string) (*Readings, error) {
	f := &Readings{csv: newCSV(r), name: name, timeCol: -1}
	header, err := f.csv.Read()
	if err != nil {
		return nil, fmt.Errorf("cannot read the header of %s: %w", name, noEOF(err))
	}
	for i, title := range header {
		q, known := reading.ParseQuantity(title)
		switch {
		case title == "time" && f.timeCol < 0:
			f.timeCol, q = i, reading.NumSite
		case !known || q >= reading.NumSite:
			return nil, fmt.Errorf("cannot use %s:1: column %d: %s", name, i+1, reading.NotAQuantity(title))
		case slices.Contains(f.columns, q):
			return nil, fmt.Errorf("cannot use %s:1: column %d: %q stands twice", name, i+1, title)
		}
		f.columns = append(f.columns, q)
	}
	if f.timeCol < 0 {
		return nil, fmt.Errorf("cannot use %s:1: there is no column \"time\"", name)
	}
	return f, nil
}

// Next gives the next row, or io.EOF after the last.
func (f *Readings) Next() (Row, error) {
	cells, err := f.csv.Read()
	if errors.Is(err, io.EOF) {
		return Row{}, io.EOF
	}
	if err != nil {
		return Row{}, fmt.Errorf("cannot read %s: %w", f.name, err)
	}
	var row Row
	for i, cell := range cells {
		if cell == "" && i != f.timeCol {
			continue
		}
		if err := f.cell(&row, i, cell); err != nil {
			line, col := f.csv.FieldPos(i)
			return Row{}, fmt.Errorf("cannot use %s:%d:%d: %w", f.name, line, col, err)
		}
	}
	return row, nil
}

func (f *Readings) cell(row *Row, i int, cell string) (err error) {
	if i == f.timeCol {
		if row.Time, err = time.Parse(time.RFC3339, cell); err != nil {
			return fmt.Errorf("%q is not a time such as 2026-01-31T09:05:00Z", cell)
		}
		return nil
	}
	q := f.columns[i]
	x, err := parse(q, cell)
	if err != nil {
		return err
	}
	row.Values = append(row.Values, reading.Value{Quantity: q, X: x})
	return nil
}

func parse(q reading.Quantity, cell string) (float64, error) {
	if q == reading.ChargeStage {
		if stage, ok := reading.ParseChargeState(cell); ok {
			return float64(stage), nil
		}
	}
	x, err := strconv.ParseFloat(cell, 64)
	if err != nil || math.IsNaN(x) || math.IsInf(x, 0) {
		return 0, fmt.Errorf("%q is not a number for %s", cell, q)
	}
	return x, nil
}

func newCSV(r io.Reader) *csv.Reader {
	c := csv.NewReader(r)
	c.ReuseRecord, c.TrimLeadingSpace, c.Comment = true, true, '#'
	return c
}

func noEOF(err error) error {
	if errors.Is(err, io.EOF) {
		return errors.New("the file is empty")
	}
	return err
}
