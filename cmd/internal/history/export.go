package history

import (
	"bufio"
	"context"
	"encoding/csv"
	"fmt"
	"io"
	"slices"
	"strconv"
	"time"

	"ebbwatch/collector/reading"
)

// Export writes the samples between two moments as CSV, in the form that replay reads: a
// time in RFC 3339 and the quantities of a site; a cell that is not known is empty. It
// gives the number of rows.
func (s *Store) Export(ctx context.Context, out io.Writer, from, to time.Time) (int, error) {
	buf := bufio.NewWriter(out)
	c := csv.NewWriter(buf)
	head := []string{"time"}
	for _, col := range s.cols[:reading.NumSite] {
		head = append(head, col.name)
	}
	if err := c.Write(head); err != nil {
		return 0, fmt.Errorf("cannot export the history: %w", err)
	}
	n, next := 0, from.UnixMilli()
	for {
		rows, err := s.page(ctx, next, to.UnixMilli())
		if err != nil {
			return n, fmt.Errorf("cannot export the history: %w", err)
		}
		if len(rows) == 0 {
			break
		}
		for _, r := range rows {
			if err := c.Write(s.record(r)); err != nil {
				return n, fmt.Errorf("cannot export the history: %w", err)
			}
			n++
		}
		next = rows[len(rows)-1].key[0] + 1
	}
	c.Flush()
	if err := c.Error(); err != nil {
		return n, fmt.Errorf("cannot export the history: %w", err)
	}
	if err := buf.Flush(); err != nil {
		return n, fmt.Errorf("cannot export the history: %w", err)
	}
	return n, nil
}

// page reads the next thousand samples: a long export does not hold up the writer.
func (s *Store) page(ctx context.Context, from, to int64) ([]row, error) {
	return ask(ctx, s, func(w *writer) ([]row, error) {
		if w.db != nil {
			rows, err := w.read(w.db, w.raw, "WHERE t >= ? AND t < ? ORDER BY t LIMIT 1000", from, to)
			if err != nil || len(rows) > 0 {
				return rows, err
			}
		}
		var rows []row
		for t, cells := range w.waiting() {
			if t >= from && t < to {
				rows = append(rows, row{[]int64{t}, slices.Clone(cells)})
			}
		}
		slices.SortFunc(rows, func(a, b row) int { return int(a.key[0] - b.key[0]) })
		return rows, nil
	})
}

func (s *Store) record(r row) []string {
	rec := []string{time.UnixMilli(r.key[0]).UTC().Format("2006-01-02T15:04:05.999Z07:00")}
	for q, col := range s.cols[:reading.NumSite] {
		v, text := r.cells[lead+q], ""
		switch {
		case v == absent:
		case reading.Quantity(q) == reading.ChargeStage:
			text = reading.ChargeState(v).String()
		default:
			text = strconv.FormatFloat(col.load(v), 'f', -1, 64)
		}
		rec = append(rec, text)
	}
	return rec
}
