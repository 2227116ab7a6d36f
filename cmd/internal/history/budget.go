package history

import (
	"context"
	"database/sql"
	"fmt"
)

// sweep keeps the file within its budget: of samples beyond the number that are kept the oldest go
// first, then, while the file is too large, the oldest of the finest. No clock has a say in it: one
// start with a wrong one must not take the record along.
func (w *writer) sweep() error {
	if err := w.dropSamples(); err != nil {
		return err
	}
	const day = 24 * 60 * 60 * 1000
	for _, step := range []struct {
		table string
		keep  int64 // days before the newest sample that are never dropped
	}{{"undated", 0}, {"raw", 2}, {"five_minutes", 30}, {"hours", 400}} {
		for {
			used, err := w.used()
			if err != nil || used <= w.o.Budget {
				return err
			}
			var more bool
			if step.table == w.undated.name {
				more, err = w.dropUndated()
			} else {
				more, err = w.dropDay(step.table, w.newest-step.keep*day, day)
			}
			if err != nil {
				return err
			}
			if !more {
				break
			}
		}
	}
	return nil
}

// dropSamples drops the oldest samples beyond as many as the time for which they are kept holds.
func (w *writer) dropSamples() error {
	keep := int64(w.o.RawFor / w.o.Every)
	var oldest int64
	if err := w.db.QueryRow("SELECT coalesce((SELECT seq FROM raw ORDER BY t LIMIT 1), 0)").Scan(&oldest); err != nil || w.seq-oldest < keep {
		return err // not as many were given a place since; to count takes a look at all
	}
	var have int64
	if err := w.db.QueryRow("SELECT count(*) FROM raw").Scan(&have); err != nil || have <= keep {
		return err
	}
	var until int64
	if err := w.db.QueryRow("SELECT t FROM raw ORDER BY t LIMIT 1 OFFSET ?", have-keep).Scan(&until); err != nil {
		return err
	}
	return w.drop(w.raw.name, until)
}

// dropUndated drops what the oldest other start of the board left undated, then the oldest of
// this one. It tells whether there was anything.
func (w *writer) dropUndated() (bool, error) {
	for _, where := range []string{
		"boot = (SELECT min(boot) FROM undated WHERE boot != ?1)",
		"boot = ?1 AND mono IN (SELECT mono FROM undated WHERE boot = ?1 ORDER BY mono LIMIT 8640)",
	} {
		res, err := w.db.Exec("DELETE FROM undated WHERE "+where, w.boot)
		if err != nil {
			return false, err
		}
		if n, err := res.RowsAffected(); err != nil || n > 0 {
			return n > 0, err
		}
	}
	return false, nil
}

// dropDay drops the oldest day of a table, but nothing from a moment on. It tells whether there
// was anything.
func (w *writer) dropDay(table string, from, day int64) (bool, error) {
	var oldest sql.NullInt64
	if err := w.db.QueryRow("SELECT min(t) FROM " + table).Scan(&oldest); err != nil {
		return false, err
	}
	until := min(oldest.Int64+day, from)
	if !oldest.Valid || until <= oldest.Int64 {
		return false, nil
	}
	return true, w.drop(table, until)
}

// drop deletes rows before a moment, a day at a time, so that no transaction grows large.
func (w *writer) drop(table string, until int64) error {
	for {
		res, err := w.db.Exec(fmt.Sprintf("DELETE FROM %s WHERE t IN (SELECT t FROM %s WHERE t < ? ORDER BY t LIMIT 8640)", table, table), until)
		if err != nil {
			return err
		}
		n, err := res.RowsAffected()
		if err != nil {
			return err
		}
		if n == 0 {
			break
		}
	}
	if table == w.raw.name {
		_, err := w.db.Exec("DELETE FROM late WHERE t < ?", until)
		return err
	}
	return nil
}

// used is what the file holds in bytes, without the pages that are free to be used again.
func (w *writer) used() (int64, error) {
	var pages, free, size int64
	for pragma, to := range map[string]*int64{"page_count": &pages, "freelist_count": &free, "page_size": &size} {
		if err := w.db.QueryRowContext(context.Background(), "PRAGMA "+pragma).Scan(to); err != nil {
			return 0, err
		}
	}
	return (pages - free) * size, nil
}
