package history

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"hash/crc32"
	"time"
)

// checkNote is the checksum of a notice.
func checkNote(t int64, notice string) int64 {
	return int64(crc32.Checksum(fmt.Appendf(nil, "%d %s", t, notice), crc32.MakeTable(crc32.Castagnoli)))
}

func writeNote(tx *sql.Tx, x sample) error {
	_, err := tx.Exec("INSERT INTO notices (t, chk, notice) VALUES (?, ?, ?)", x.wall, checkNote(x.wall, string(x.note)), string(x.note))
	return err
}

// copyNotes carries sound notices over from a damaged file. It gives the last id that it read, and
// whether there may be more.
func copyNotes(from *sql.DB, tx *sql.Tx, s stretch) (last int64, full bool, err error) {
	rows, err := from.Query("SELECT id, t, chk, notice FROM notices WHERE id >= ? AND id < ? ORDER BY id LIMIT ?", s.from, s.to, rescueRows)
	if err != nil {
		return -1, false, err
	}
	defer rows.Close()
	last, n := int64(-1), 0
	for ; rows.Next(); n++ {
		var id, t, chk int64
		var notice string
		if err := rows.Scan(&id, &t, &chk, &notice); err != nil {
			return last, false, err
		}
		if last = id; checkNote(t, notice) != chk {
			continue
		}
		if _, err := tx.Exec("INSERT OR IGNORE INTO notices (t, chk, notice) VALUES (?, ?, ?)", t, chk, notice); err != nil {
			return last, false, err
		}
	}
	return last, n == rescueRows, rows.Err()
}

// Notices are the notices that were sent in a span, in order, as JSON.
func (s *Store) Notices(ctx context.Context, from, to time.Time) ([]json.RawMessage, error) {
	out, err := ask(ctx, s, func(w *writer) ([]json.RawMessage, error) { return w.notices(from.UnixMilli(), to.UnixMilli()) })
	if err != nil {
		return nil, fmt.Errorf("cannot read the notices: %w", err)
	}
	return out, nil
}

func (w *writer) notices(from, to int64) ([]json.RawMessage, error) {
	var out []json.RawMessage
	if w.db != nil {
		rows, err := w.db.Query("SELECT t, chk, notice FROM notices WHERE t >= ? AND t < ? ORDER BY t, id", from, to)
		if err != nil {
			return nil, err
		}
		defer rows.Close()
		for rows.Next() {
			var t, chk int64
			var notice string
			if err := rows.Scan(&t, &chk, &notice); err != nil {
				return nil, err
			}
			if checkNote(t, notice) != chk {
				w.damaged++
				continue
			}
			out = append(out, json.RawMessage(notice))
		}
		if err := rows.Err(); err != nil {
			return nil, err
		}
	}
	for _, x := range w.pending {
		if x.note != nil && x.wall >= from && x.wall < to {
			out = append(out, json.RawMessage(x.note))
		}
	}
	return out, nil
}
