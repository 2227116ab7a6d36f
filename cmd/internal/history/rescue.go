package history

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"maps"
	"path/filepath"
	"slices"
	"strings"
)

// rescue carries what can be read of a damaged file over to the new one, some rows at a time, so
// that the record goes on meanwhile. A table is read from one end to the other, along its pages and
// not by its keys, which may be what is damaged. SQLite reads up to a page that is damaged; what lies
// behind it is found by asking for smaller and smaller spans. Every row has its checksum: none is carried
// over that is not as it was written.
type rescue struct {
	db     *sql.DB // the damaged file
	have   map[string][]string
	boots  map[int64]int64 // the numbers of starts of the board, old to new
	todo   []stretch
	cursor *sql.Rows      // of the stretch that is read from end to end; nil: none is
	hours  map[int64]bool // in which samples were found
	saved  int64          // samples
	failed int            // spans that could not be read whole
}

// errUnsound says that no row of a span is as it was written.
var errUnsound = errors.New("none of the rows is as it was written")

// stretch is a part of a table that is yet to be read.
type stretch struct {
	t        table
	boot     int64 // of undated samples
	from, to int64 // t, mono or id
	parted   bool  // it is what is left behind damage
}

// Bounds of a rescue: rows read at once, the most failures before the rest is given up, and the
// shortest stretch that is still parted.
const (
	rescueRows     = 500
	rescueFailures = 5000
	rescueShortest = 1000           // ms; of notices, one
	endOfTime      = int64(1) << 43 // ms: some 280 years
)

// rescueFrom begins to carry over. What fails at the beginning ends it: the file is kept.
func (w *writer) rescueFrom(aside string) {
	w.endRescue()
	db, err := sql.Open("sqlite", "file:"+escape(filepath.Join(filepath.Dir(w.o.Path), aside)))
	if err != nil {
		return
	}
	db.SetMaxOpenConns(1)
	r := &rescue{db: db, have: map[string][]string{}, boots: map[int64]int64{}, hours: map[int64]bool{}}
	w.rescue = r
	for _, pragma := range []string{"locking_mode = EXCLUSIVE", "query_only = ON"} {
		_, _ = db.Exec("PRAGMA " + pragma) // what cannot be read says so below
	}
	if err := w.takeNumbers(r); err != nil {
		w.asides += "; nothing of it can be carried over"
		told := w.asides
		w.problem.Store(&told)
		w.o.Log.Warn("nothing of the damaged history can be read", "err", err)
		w.endRescue()
		return
	}
	// Read from the end of the list: sums before samples, so that those of hours that are whole
	// are not made anew from what is left.
	r.todo = append(r.todo, stretch{t: table{name: "notices"}, to: endOfTime})
	for _, boot := range slices.Sorted(maps.Keys(r.boots)) {
		r.todo = append(r.todo, stretch{t: w.undated, boot: boot, to: endOfTime})
	}
	for _, t := range []table{w.raw, w.rolls[0].table, w.rolls[1].table} {
		r.todo = append(r.todo, stretch{t: t, to: endOfTime})
	}
}

// takeNumbers takes over what new samples must not clash with: the end of the record, the
// sequence, and what receivers have.
func (w *writer) takeNumbers(r *rescue) error {
	for _, t := range []table{w.raw, w.undated, w.rolls[0].table, w.rolls[1].table} {
		have, err := columnsOf(r.db, t.name)
		if err != nil {
			return err
		}
		r.have[t.name] = have
	}
	var newest, seq, late sql.NullInt64
	known := errors.Join(
		r.db.QueryRow("SELECT t, seq FROM raw ORDER BY t DESC LIMIT 1").Scan(&newest, &seq),
		r.db.QueryRow("SELECT max(seq) FROM late").Scan(&late))
	w.newest, w.seq = max(w.newest, newest.Int64), max(w.seq, seq.Int64, late.Int64)
	if known != nil {
		w.seq += 1 << 32 // more than any file holds: nothing found later has a number as high
	}
	for _, copied := range []struct{ query, insert string }{
		{"SELECT seq, t FROM late", "INSERT OR IGNORE INTO late (seq, t) VALUES (?, ?)"},
		{"SELECT name, seq FROM sent", "INSERT OR IGNORE INTO sent (name, seq) VALUES (?, ?)"},
		{"SELECT id, name FROM boots", ""},
	} {
		if err := w.copyPairs(r, copied.query, copied.insert); err != nil && !isDamage(err) {
			return err
		}
	}
	return nil
}

// copyPairs carries a small table of two columns over; starts of the board get new numbers.
func (w *writer) copyPairs(r *rescue, query, insert string) error {
	rows, err := r.db.Query(query)
	if err != nil {
		return err
	}
	defer rows.Close()
	return errors.Join(w.within(func(tx *sql.Tx) error {
		for rows.Next() {
			var a, b any
			if err := rows.Scan(&a, &b); err != nil {
				continue // a cell that is none of ours
			}
			if insert != "" {
				if _, err := tx.Exec(insert, a, b); err != nil {
					return err
				}
				continue
			}
			old, isNumber := a.(int64)
			if _, err := tx.Exec("INSERT OR IGNORE INTO boots (name) VALUES (?)", b); err != nil || !isNumber {
				return err
			}
			var id int64
			if err := tx.QueryRow("SELECT id FROM boots WHERE name = ?", b).Scan(&id); err != nil {
				return err
			}
			r.boots[old] = id
		}
		return nil
	}), rows.Err())
}

// goOn carries some rows over.
func (w *writer) goOn() {
	r := w.rescue
	if len(r.todo) == 0 || r.failed > rescueFailures {
		w.finishRescue()
		return
	}
	s := r.todo[len(r.todo)-1]
	r.todo = r.todo[:len(r.todo)-1]
	last, full, read := int64(-1), false, error(nil)
	err := w.within(func(tx *sql.Tx) error {
		if s.t.name == "notices" {
			last, full, read = copyNotes(r.db, tx, s)
			return nil
		}
		unsound := w.damaged
		rows, err := w.readOn(r, s)
		// A row that is left out was read too: the span goes on behind it. Where all were, and
		// nothing tells how far it was read, the span is parted.
		read, full = err, int64(len(rows))+w.damaged-unsound == rescueRows
		if full && len(rows) == 0 && r.cursor == nil {
			read = errUnsound
		}
		for _, row := range rows {
			last = max(last, row.key[len(row.key)-1])
			if err := w.carry(tx, s, row); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil { // of the new file: it says so with the next batch too
		w.report(fmt.Errorf("cannot carry the damaged record over to %s: %w", w.o.Path, err))
		w.endRescue()
		return
	}
	next := max(s.from, last+1)
	if read != nil || !full {
		r.closeCursor()
	}
	switch {
	case read != nil:
		r.failed++
		if shortest := s.shortest(); s.to-next > shortest {
			middle := r.middle(s, next)
			r.todo = append(r.todo, stretch{s.t, s.boot, middle, s.to, true}, stretch{s.t, s.boot, next, middle, true})
		}
	case full:
		r.todo = append(r.todo, stretch{s.t, s.boot, next, s.to, s.parted})
	}
}

// readOn reads the next rows of a stretch: those of a whole table in the order of its pages.
func (w *writer) readOn(r *rescue, s stretch) ([]row, error) {
	t := r.shape(s.t)
	if len(t.keys) > 1 || s.to != endOfTime || s.parted {
		return w.read(r.db, t, s.where(), s.args()...)
	}
	if r.cursor == nil {
		rows, err := r.db.QueryContext(context.Background(), t.query(""))
		if err != nil {
			return nil, err
		}
		r.cursor = rows
	}
	var out []row
	_, err := w.scan(r.cursor, t, rescueRows, func(x row) error {
		out = append(out, row{slices.Clone(x.key), slices.Clone(x.cells)})
		return nil
	})
	return out, err
}

func (r *rescue) closeCursor() {
	if r.cursor != nil {
		_ = r.cursor.Close() // only read
		r.cursor = nil
	}
}

// middle parts a span: in half, or, where it has no end, behind a day.
func (r *rescue) middle(s stretch, next int64) int64 {
	const day = 24 * 60 * 60 * 1000
	if s.to == endOfTime && next > 0 {
		return min(next+day*int64(1+r.failed), s.to)
	}
	return next + (s.to-next)/2
}

// carry stores one row in the new file.
func (w *writer) carry(tx *sql.Tx, s stretch, found row) error {
	if s.t.name == w.undated.name {
		found.key[0] = w.rescue.boots[s.boot]
		w.stranded = w.stranded || found.key[0] == w.boot
	}
	res, err := tx.Exec(s.t.insert("INSERT OR IGNORE"), s.t.args(found)...)
	if err != nil || s.t.name != w.raw.name {
		return err
	}
	n, err := res.RowsAffected()
	w.rescue.saved += n
	w.rescue.hours[floor(found.key[0], w.rolls[1].span)] = true
	w.newest, w.seq = max(w.newest, found.key[0]), max(w.seq, found.cells[cellSeq])
	return err
}

func (s stretch) shortest() int64 {
	if s.t.name == "notices" {
		return 1
	}
	return rescueShortest
}

func (s stretch) where() string {
	if len(s.t.keys) > 1 {
		return fmt.Sprintf("WHERE boot = ? AND mono >= ? AND mono < ? ORDER BY mono LIMIT %d", rescueRows)
	}
	return fmt.Sprintf("WHERE t >= ? AND t < ? ORDER BY t LIMIT %d", rescueRows)
}

func (s stretch) args() []any {
	if len(s.t.keys) > 1 {
		return []any{s.boot, s.from, s.to}
	}
	return []any{s.from, s.to}
}

// shape is a table as the damaged file has it: what a column that it lacks holds is nothing.
func (r *rescue) shape(t table) table {
	cells := slices.Clone(t.cells)
	t.absent = map[string]bool{}
	for _, c := range cells {
		t.absent[c] = !slices.Contains(r.have[t.name], c)
	}
	return t
}

// finishRescue makes the sums that are lacking, and says what came of it.
func (w *writer) finishRescue() {
	r := w.rescue
	err := w.within(func(tx *sql.Tx) error {
		lacking := map[int64]bool{}
		for from := range r.hours {
			var n int
			if err := tx.QueryRow("SELECT count(*) FROM hours WHERE t = ?", from).Scan(&n); err != nil {
				return err
			}
			if n == 0 {
				lacking[from] = true
			}
		}
		if err := w.rollUp(tx, lacking, w.newest); err != nil {
			return err
		}
		_, err := tx.Exec("DELETE FROM rescue")
		return err
	})
	w.asides = strings.TrimSuffix(w.asides, "; a new one was begun") + fmt.Sprintf("; %d samples of it were carried over to a new one", r.saved)
	w.o.Log.Info("the damaged history was carried over as far as it can be read", "samples", r.saved, "spans_unreadable", r.failed)
	w.endRescue()
	w.report(err)
}

func (w *writer) endRescue() {
	if w.rescue != nil {
		w.rescue.closeCursor()
		_ = w.rescue.db.Close() // only read
		w.rescue = nil
	}
}

// resumeRescue makes the table that names a file that is being carried over, and goes on with
// that after a restart.
func (w *writer) resumeRescue(tx *sql.Tx) error {
	if _, err := tx.Exec("CREATE TABLE IF NOT EXISTS rescue (aside TEXT PRIMARY KEY)"); err != nil {
		return err
	}
	err := tx.QueryRow("SELECT aside FROM rescue").Scan(&w.unfinished)
	if errors.Is(err, sql.ErrNoRows) {
		return nil
	}
	return err
}
