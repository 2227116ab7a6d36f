package history

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"
)

// Record is one sample for somebody who sends it on.
type Record struct {
	Seq    int64
	At     time.Time
	Values []float64 // as [Store.Columns]; NaN where nothing is known
}

// Columns names what a [Record] holds, as facts: name, or name/instance.
func (s *Store) Columns() []string {
	var names []string
	for _, c := range s.cols {
		if c.fact != "" {
			names = append(names, c.fact)
		} else {
			names = append(names, c.name)
		}
	}
	return names
}

// Unsent gives the next samples that the named receiver has not acknowledged, in the order
// in which they found their place: by time, unless a clock was set back. Samples that are
// not on the card yet, or not dated yet, are not among them.
func (s *Store) Unsent(ctx context.Context, receiver string, limit int) ([]Record, error) {
	records, err := ask(ctx, s, func(w *writer) ([]Record, error) { return w.unsent(receiver, limit) })
	if err != nil {
		return nil, fmt.Errorf("cannot read what is yet to be sent: %w", err)
	}
	return records, nil
}

func (w *writer) unsent(receiver string, limit int) ([]Record, error) {
	if w.db == nil {
		return nil, errors.New(w.cannot())
	}
	done, known := w.sent[receiver]
	if !known {
		err := w.db.QueryRow("SELECT seq FROM sent WHERE name = ?", receiver).Scan(&done)
		if err != nil && !errors.Is(err, sql.ErrNoRows) {
			return nil, err
		}
	}
	// All that is lacking lies after low, but for what comes late later on. At the first time
	// that is not known, and what was sent is looked through.
	var first sql.NullInt64
	err := w.db.QueryRow("SELECT t FROM raw WHERE t > ? AND seq > ? ORDER BY t LIMIT 1", w.low[receiver], done).Scan(&first)
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		return nil, err
	}
	if first.Valid {
		w.low[receiver] = first.Int64 - 1
	}
	rows, err := w.read(w.db, w.raw, `WHERE t IN (
			SELECT * FROM (SELECT t FROM raw WHERE t > ?1 AND seq > ?2 AND t NOT IN (SELECT t FROM late WHERE seq > ?2) ORDER BY t LIMIT ?3)
			UNION SELECT * FROM (SELECT t FROM late WHERE seq > ?2 ORDER BY seq LIMIT ?3))
		AND seq > ?2 ORDER BY seq LIMIT ?3`, w.low[receiver], done, limit)
	if err != nil {
		return nil, err
	}
	records := make([]Record, 0, len(rows))
	for _, r := range rows {
		rec := Record{Seq: r.cells[cellSeq], At: time.UnixMilli(r.key[0]), Values: make([]float64, len(w.cols))}
		for i, c := range w.cols {
			rec.Values[i] = c.load(r.cells[lead+i])
		}
		records = append(records, rec)
	}
	return records, nil
}

// Sent keeps that the receiver has acknowledged all up to a sample. It is on the card with the next
// batch, or at the end: a write of its own would cost the card as much as the batch. A power cut in
// between has one batch sent once more, which a receiver takes for what it has.
func (s *Store) Sent(ctx context.Context, receiver string, seq int64) error {
	_, err := ask(ctx, s, func(w *writer) (struct{}, error) {
		w.sent[receiver], w.sentNews = seq, true
		return struct{}{}, nil
	})
	if err != nil {
		return fmt.Errorf("cannot keep what was sent: %w", err)
	}
	return nil
}

// writeSent stores what receivers have acknowledged.
func (w *writer) writeSent(tx *sql.Tx) error {
	for receiver, seq := range w.sent {
		if _, err := tx.Exec("INSERT INTO sent (name, seq) VALUES (?, ?) ON CONFLICT (name) DO UPDATE SET seq = excluded.seq", receiver, seq); err != nil {
			return err
		}
	}
	return nil
}
