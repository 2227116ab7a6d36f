package history

import (
	"database/sql"
	"fmt"
	"hash/crc32"
	"time"
)

// A wall clock that says what it cannot be must not date anything: samples of the future would
// hide all that follow. Two independent signs support a clock: that the board vouches for it, and
// that the record, or an earlier start of the board, ends not long before. Where there is but the
// first, it has to go on for hours without a step. Until then samples are kept undated.
const (
	window    = int64(36 * time.Hour / time.Millisecond) // how far a clock may be from the record
	agreement = int64(2 * time.Hour / time.Millisecond)  // how long it must go on where it is not near
	slack     = int64(time.Minute / time.Millisecond)    // how far it may step meanwhile
)

// wallClock is what is believed of the wall clock in this start of the board. All times are ms.
type wallClock struct {
	offset int64 // the wall clock less the monotonic one, where it is believed
	known  bool
	// claim is the offset that a clock has which is not believed yet, since a moment of the
	// monotonic clock.
	claim, since int64
	doubted      bool
}

// settled tells whether the clock is believed as it goes now.
func (c wallClock) settled() bool { return c.known && !c.doubted }

// see takes what both clocks say, and tells whether the wall clock is believed. near says whether
// the record, or an earlier start, supports it.
func (c *wallClock) see(mono, wall int64, near func(wall int64) bool) bool {
	offset := wall - mono
	switch {
	case c.known && distance(offset, c.offset) <= window, !c.known && near(wall),
		c.doubted && distance(offset, c.claim) <= slack && mono-c.since >= agreement:
		c.offset, c.known, c.doubted = offset, true, false
		return true
	case !c.doubted || distance(offset, c.claim) > slack:
		c.since = mono
	}
	c.claim, c.doubted = offset, true
	return false
}

func distance(a, b int64) int64 { return max(a-b, b-a) }

// claim is what an earlier start of the board said of the time without being believed.
type claim struct {
	boot   int64
	wall   int64 // the last that it said
	offset int64
}

// near tells whether a clock agrees with the end of the record, or goes on from where an earlier
// start of the board left off. An empty record has nothing against any clock.
func (w *writer) near(wall int64) bool {
	for _, c := range w.claims {
		if c.boot != w.boot && wall >= c.wall && wall-c.wall <= window {
			return true
		}
	}
	return w.newest == 0 || distance(wall, w.newest) <= window
}

// date says when each sample was, 0 where it is not known, and what is believed of the clock
// after them.
func (w *writer) date(samples []sample) ([]int64, wallClock) {
	c, times := w.clock, make([]int64, len(samples))
	for i, x := range samples {
		switch {
		case x.note != nil:
		case x.wall != 0 && c.see(x.mono, x.wall, w.near):
			times[i] = x.wall
		case x.wall == 0 && c.settled():
			times[i] = x.mono + c.offset
		}
	}
	if c.settled() {
		for i, x := range samples {
			if times[i] == 0 {
				times[i] = x.mono + c.offset
			}
		}
	}
	return times, c
}

// settle puts right what a wrong clock left in the file, once the clock is believed: samples of
// the future lose their date, and what earlier starts left undated gets one.
func (w *writer) settle(c wallClock, now int64) error {
	if w.newest > now+window {
		if err := w.undate(now + window); err != nil {
			return err
		}
	}
	for _, earlier := range w.claims {
		if earlier.boot != w.boot && earlier.wall >= w.newest-window && earlier.wall <= now {
			if err := w.redate(earlier.boot, earlier.offset); err != nil {
				return err
			}
		}
	}
	if len(w.claims) > 0 {
		if _, err := w.db.Exec("DELETE FROM claims"); err != nil {
			return err
		}
		w.claims = nil
	}
	if !w.stranded {
		return nil
	}
	err := w.redate(w.boot, c.offset)
	w.stranded = err != nil
	return err
}

// doubt keeps what a clock says that is not believed, for the next start, and tells people.
func (w *writer) doubt(c wallClock, mono int64) error {
	said := claim{w.boot, mono + c.claim, c.claim}
	_, err := w.db.Exec("INSERT OR REPLACE INTO claims (boot, wall, wall_less_mono) VALUES (?, ?, ?)", said.boot, said.wall, said.offset)
	text := fmt.Sprintf("history: the clock says %s, the record ends at %s; samples are dated once the clock went on for %s",
		day(said.wall), day(w.newest), time.Duration(agreement)*time.Millisecond)
	w.doubts.Store(&text)
	return err
}

func day(ms int64) string { return time.UnixMilli(ms).UTC().Format(time.DateOnly) }

// readClaims makes the table of what earlier starts claimed, and gives it.
func readClaims(tx *sql.Tx) ([]claim, error) {
	const make = "CREATE TABLE IF NOT EXISTS claims (boot INTEGER PRIMARY KEY, wall INTEGER NOT NULL, wall_less_mono INTEGER NOT NULL)"
	if _, err := tx.Exec(make); err != nil {
		return nil, err
	}
	rows, err := tx.Query("SELECT boot, wall, wall_less_mono FROM claims")
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []claim
	for rows.Next() {
		var c claim
		if err := rows.Scan(&c.boot, &c.wall, &c.offset); err != nil {
			return nil, err
		}
		out = append(out, c)
	}
	return out, rows.Err()
}

// undate takes their date from samples after a moment: they are kept by the start of the board
// that recorded them and its own clock, a thousand at a time. Sums of that time go.
func (w *writer) undate(after int64) error {
	boots, err := w.bootNumbers()
	if err != nil {
		return err
	}
	for more := true; more; {
		err := w.within(func(tx *sql.Tx) error {
			rows, err := w.read(tx, w.raw, "WHERE t > ? ORDER BY t LIMIT 1000", after)
			if more = len(rows) > 0; err != nil {
				return err
			}
			for _, r := range rows {
				if r.key[0] <= after { // a flipped bit in the tree led to the wrong place
					return fmt.Errorf("the samples are out of order: %w", errShape)
				}
				if err := w.keepUndated(tx, boots, r); err != nil {
					return err
				}
			}
			return w.forget(tx, after, rows)
		})
		if err != nil {
			return err
		}
	}
	return w.db.QueryRow("SELECT coalesce(max(t), 0) FROM raw").Scan(&w.newest)
}

// keepUndated stores a dated row as one of the start that recorded it; rows of files that do not
// say which go to start 0, which there is not.
func (w *writer) keepUndated(tx *sql.Tx, boots map[int64]int64, r row) error {
	key := []int64{0, r.key[0]}
	number, up := r.cells[w.column(columnBoot)], r.cells[w.column(columnUptime)]
	if boot, known := boots[number]; known && up != absent {
		key = []int64{boot, 1000 * up}
		w.stranded = w.stranded || boot == w.boot
	}
	for ; ; key[1]++ {
		res, err := tx.Exec(w.undated.insert("INSERT OR IGNORE"), w.undated.args(row{key, r.cells})...)
		if err != nil {
			return err
		}
		if n, err := res.RowsAffected(); err != nil || n > 0 {
			return err
		}
	}
}

// forget deletes rows that were moved, those before them that are damaged, and sums after a
// moment.
func (w *writer) forget(tx *sql.Tx, after int64, moved []row) error {
	until := int64(1<<63 - 1)
	if len(moved) > 0 {
		until = moved[len(moved)-1].key[0]
	}
	for _, table := range []string{w.raw.name, "late", w.rolls[0].name, w.rolls[1].name} {
		if _, err := tx.Exec("DELETE FROM "+table+" WHERE t > ? AND t <= ?", after, until); err != nil {
			return err
		}
	}
	return nil
}

// column is the place of a column among the cells of a sample.
func (w *writer) column(name string) int {
	for i, c := range w.cols {
		if c.name == name {
			return lead + i
		}
	}
	panic("history: no column " + name) // it is one of ours
}

// bootNumbers tells the starts of the board by the numbers that samples carry.
func (w *writer) bootNumbers() (map[int64]int64, error) {
	rows, err := w.db.Query("SELECT id, name FROM boots ORDER BY id")
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	out := map[int64]int64{}
	for rows.Next() {
		var id int64
		var name string
		if err := rows.Scan(&id, &name); err != nil {
			return nil, err
		}
		out[bootNumber(name)] = id
	}
	return out, rows.Err()
}

// bootNumber is the number of a start of the board: few enough to be stored in two bytes, so many
// that two starts in a row hardly ever share one.
func bootNumber(name string) int64 { return int64(crc32.ChecksumIEEE([]byte(name)) % (1 << 15)) }
