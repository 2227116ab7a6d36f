package replay

import (
	"bufio"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
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
	comma   bool               // stands for the decimal point
}

// OpenReadings reads the header. The name is for messages.
func OpenReadings(r io.Reader, name string) (*Readings, error) {
	c, comma := newCSV(r)
	f := &Readings{csv: c, name: name, timeCol: -1, comma: comma}
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
		row.Time, err = parseTime(cell)
		return err
	}
	q := f.columns[i]
	if f.comma {
		cell = strings.Replace(cell, ",", ".", 1)
	}
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

// parseTime reads RFC 3339, with a space for the T as spreadsheets and databases write it. A time
// without its offset is refused: in which zone a logger ran is not for us to guess.
func parseTime(cell string) (time.Time, error) {
	for _, layout := range []string{time.RFC3339, "2006-01-02 15:04:05Z07:00", "2006-01-02 15:04:05 Z07:00", "2006-01-02 15:04Z07:00"} {
		if t, err := time.Parse(layout, cell); err == nil {
			return t, nil
		}
	}
	for _, layout := range []string{"2006-01-02T15:04:05", time.DateTime, "2006-01-02 15:04"} {
		if _, err := time.Parse(layout, cell); err == nil {
			return time.Time{}, fmt.Errorf("%q does not say its zone: write it as 2026-01-31T09:05:00Z or with an offset such as +01:00", cell)
		}
	}
	return time.Time{}, fmt.Errorf("%q is not a time such as 2026-01-31T09:05:00Z", cell)
}

// headerMost is how much of a file is looked at for its dialect; a header is far shorter.
const headerMost = 4096

// newCSV reads the usual dialects: fields between commas, semicolons or tabs, whichever the header
// has most of; a byte order mark is skipped. Between semicolons or tabs the comma stands for
// the decimal point.
func newCSV(r io.Reader) (c *csv.Reader, comma bool) {
	in := bufio.NewReaderSize(r, headerMost)
	if mark, _ := in.Peek(3); string(mark) == "\ufeff" {
		_, _ = in.Discard(3)
	}
	head, _ := in.Peek(headerMost) // shorter where the file is
	header := ""
	for line := range strings.Lines(string(head)) {
		if header = line; !strings.HasPrefix(line, "#") && strings.TrimSpace(line) != "" {
			break
		}
	}
	c = csv.NewReader(in)
	for _, sep := range ";\t" {
		if strings.Count(header, string(sep)) > strings.Count(header, string(c.Comma)) {
			c.Comma = sep
		}
	}
	c.ReuseRecord, c.TrimLeadingSpace, c.Comment = true, c.Comma != '\t', '#'
	return c, c.Comma != ','
}

func noEOF(err error) error {
	if errors.Is(err, io.EOF) {
		return errors.New("the file is empty")
	}
	return err
}
