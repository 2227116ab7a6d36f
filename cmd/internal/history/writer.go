package history

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	_ "modernc.org/sqlite" // the driver
)

// writer owns the file. Everything in it runs in one goroutine.
type writer struct {
	*Store
	db      *sql.DB
	raw     table
	undated table
	rolls   [2]roll
	boot    int64 // this boot's number in the file
	clock   wallClock
	claims  []claim // of earlier starts, until the clock is believed
	// stranded is true while samples of this boot lie undated in the file.
	stranded bool
	told     bool // the clock was right once in this run, and they were to find their place
	pending  []sample
	patience int              // samples to take before a card that failed is tried again
	newest   int64            // the newest dated row, ms
	seq      int64            // of the last sample that found its place
	low      map[string]int64 // by receiver: a moment before all that it lacks, ms; see unsent
	sent     map[string]int64 // by receiver: the last sample that it acknowledged since the start
	sentNews bool             // of that something is not on the card yet
	swept    int64            // flushes since the budget was looked at
	roomy    bool             // see makeRoom
	damaged  int64            // rows whose checksum was wrong
	asides   string
	rescue   *rescue // nil: nothing is carried over
	// unfinished is a damaged file that was being carried over when the last run ended.
	unfinished string
}

// roll is one table of sums with its span in ms.
type roll struct {
	table
	span int64
}

func newWriter(s *Store) *writer {
	return &writer{Store: s, sent: map[string]int64{}, raw: rawTable(s.cols), undated: undatedTable(s.cols), rolls: [2]roll{
		{rollTable("five_minutes", s.cols), (5 * time.Minute).Milliseconds()},
		{rollTable("hours", s.cols), time.Hour.Milliseconds()},
	}}
}

func (w *writer) run() {
	defer close(w.done)
	defer func() {
		w.endRescue()
		if w.db != nil {
			_ = w.db.Close() // all that was promised is on the card already
		}
	}()
	tick := time.NewTicker(w.o.Batch)
	defer tick.Stop()
	wrote := time.Now()
	check := time.After(w.o.CheckAfter)
	idle := make(chan struct{})
	close(idle)
	for {
		var rescue chan struct{}
		if w.rescue != nil {
			rescue = idle
		}
		select {
		case x := <-w.in:
			w.take(x)
		case f := <-w.ask:
			w.drain()
			f(w)
		case <-rescue:
			w.goOn()
		case <-check:
			w.check()
		case now := <-tick.C: // nothing may wait for ever where no more comes
			if now.Sub(wrote) >= w.batch()-w.o.Batch/2 {
				wrote = now
				w.report(w.flush())
			}
		case <-w.stop:
			return
		}
	}
}

// drain takes what is in the mailbox, so that an answer knows of all that was added.
func (w *writer) drain() {
	for {
		select {
		case x := <-w.in:
			w.take(x)
		default:
			return
		}
	}
}

func (w *writer) take(x sample) {
	w.pending = append(w.pending, x)
	if len(w.pending) > keepSamples {
		w.pending = slices.Delete(w.pending, 0, len(w.pending)-keepSamples)
	}
	w.patience--
	if w.stranded && x.wall != 0 && !w.told {
		// The power may fail before the next batch, and only this start knows when its samples were.
		w.told = true
		w.report(w.flush())
		return
	}
	if x.mono-w.pending[0].mono >= w.batch().Milliseconds() && w.patience <= 0 {
		w.report(w.flush())
	}
}

// report tells of trouble once, and of its end.
func (w *writer) report(err error) {
	was := w.problem.Load()
	w.frozen.Store(err != nil)
	switch {
	case err != nil:
		w.patience = 30
		text := fmt.Sprintf("history: %v; keeping the last day in memory only", err)
		if was == nil || *was != text {
			w.o.Log.Error("history frozen, will retry", "err", err)
		}
		w.problem.Store(&text)
	case w.asides != "":
		told := w.asides // a copy: readers keep it
		w.problem.Store(&told)
	case was != nil:
		w.o.Log.Info("history is written again")
		w.problem.Store(nil)
	}
}

// flush writes all that waits. A file that turns out to be damaged is set aside, and a new
// one is written instead.
func (w *writer) flush() error {
	err := w.flushOnce()
	if w.db != nil && isDamage(err) {
		if err = w.setAside(err); err == nil {
			err = w.flushOnce()
		}
	}
	return err
}

// flushOnce writes all that waits in one transaction. What it could not write still waits.
func (w *writer) flushOnce() error {
	if w.db == nil {
		if w.open(); w.db == nil {
			return errors.New(w.cannot())
		}
	}
	if len(w.pending) == 0 && !(w.stranded && w.clock.settled()) && !w.sentNews {
		return nil
	}
	n := len(w.pending)
	times, clock := w.date(w.pending)
	// Old samples first, so that whoever sends them on gets them in order.
	if err := w.heed(clock, times); err != nil {
		return fmt.Errorf("cannot date old samples in %s: %w", w.o.Path, err)
	}
	err := w.lay(func(p *places) error { return errors.Join(w.writeSent(p.tx), w.write(p, w.pending[:n], times)) })
	if err != nil {
		return fmt.Errorf("cannot write %s: %w", w.o.Path, err)
	}
	w.clock, w.sentNews = clock, false
	w.pending = slices.Delete(w.pending, 0, n)
	w.makeRoom()
	if w.swept++; w.swept%72 == 1 {
		if err := w.sweep(); err != nil {
			return fmt.Errorf("cannot keep %s within its budget: %w", w.o.Path, err)
		}
	}
	return nil
}

// heed does to the file what follows from the clock of the samples that come next.
func (w *writer) heed(clock wallClock, times []int64) error {
	if clock.settled() {
		w.doubts.Store(nil)
		if now := slices.Max(append(times, 0)); now > 0 || w.stranded {
			return w.settle(clock, now)
		}
		return nil
	}
	for _, x := range slices.Backward(w.pending) {
		if clock.doubted && x.note == nil {
			return w.doubt(clock, x.mono)
		}
	}
	return nil
}

// cannot is what the last attempt to open said.
func (w *writer) cannot() string {
	if p := w.problem.Load(); p != nil {
		return *p
	}
	return "cannot open " + w.o.Path
}

func (w *writer) within(f func(*sql.Tx) error) error {
	tx, err := w.db.BeginTx(context.Background(), nil)
	if err != nil {
		return err
	}
	if err := f(tx); err != nil {
		return errors.Join(err, tx.Rollback())
	}
	if err := tx.Commit(); err != nil {
		_ = tx.Rollback() // says only that the transaction is over, where it is
		return err
	}
	return nil
}

// write stores samples, dated where the clock is or was known in this boot.
func (w *writer) write(p *places, samples []sample, times []int64) error {
	for i, x := range samples {
		var err error
		switch {
		case x.note != nil:
			err = writeNote(p.tx, x)
		case times[i] != 0:
			err = p.take(times[i], x.cells)
		default:
			w.stranded = true
			_, err = p.tx.Exec(w.undated.insert("INSERT OR REPLACE"), w.undated.args(row{[]int64{w.boot, x.mono}, x.cells})...)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// places stores samples at their times within one transaction.
type places struct {
	w           *writer
	tx          *sql.Tx
	insert      *sql.Stmt
	touched     map[int64]bool
	newest, seq int64 // as those of the writer, once the transaction is through
}

// lay has samples stored in one transaction, with the sums of what they complete.
func (w *writer) lay(samples func(*places) error) error {
	p := &places{w: w, touched: map[int64]bool{}, newest: w.newest, seq: w.seq}
	err := w.within(func(tx *sql.Tx) (err error) {
		p.tx = tx
		if p.insert, err = tx.Prepare(w.raw.insert("INSERT OR IGNORE")); err != nil {
			return err
		}
		if err := samples(p); err != nil {
			return err
		}
		return w.rollUp(tx, p.touched, p.newest)
	})
	if err == nil { // else the hour that was open still is
		w.newest, w.seq = p.newest, p.seq
	}
	return err
}

// take stores a sample at its time, or a moment later where one is there already because the
// clock was set back.
func (p *places) take(t int64, cells []int64) error {
	cells = slices.Clone(cells) // what waits in memory must be as it was if this fails
	p.seq++
	cells[cellSeq] = p.seq
	for ; ; t++ {
		res, err := p.insert.Exec(p.w.raw.args(row{[]int64{t}, cells})...)
		if err != nil {
			return err
		}
		n, err := res.RowsAffected()
		if err != nil {
			return err
		}
		if n > 0 {
			break
		}
	}
	p.touched[t] = true
	if t < p.newest {
		_, err := p.tx.Exec("INSERT INTO late (seq, t) VALUES (?, ?)", p.seq, t)
		return err
	}
	p.newest = t
	return nil
}

// redate moves the samples that a start of the board stored before the clock was known to their
// places, a thousand at a time.
func (w *writer) redate(boot, offset int64) error {
	for more := true; more; {
		err := w.lay(func(p *places) error {
			rows, err := w.read(p.tx, w.undated, "WHERE boot = ? ORDER BY mono LIMIT 1000", boot)
			if more = len(rows) > 0; err != nil || !more {
				return err
			}
			for _, r := range rows {
				if err := p.take(r.key[1]+offset, r.cells); err != nil {
					return err
				}
			}
			_, err = p.tx.Exec("DELETE FROM undated WHERE boot = ? AND mono <= ?", boot, rows[len(rows)-1].key[1])
			return err
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// querier is a transaction or the file itself.
type querier interface {
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
}

// read gives the sound rows of a table; those whose checksum is wrong are counted and left
// out.
func (w *writer) read(q querier, t table, where string, args ...any) ([]row, error) {
	var out []row
	err := w.each(q, t, where, func(r row) error {
		out = append(out, row{slices.Clone(r.key), slices.Clone(r.cells)})
		return nil
	}, args...)
	return out, err
}

// each hands the sound rows on one by one; f must not keep them.
func (w *writer) each(q querier, t table, where string, f func(row) error, args ...any) error {
	rows, err := q.QueryContext(context.Background(), t.query(where), args...)
	if err != nil {
		return err
	}
	defer rows.Close()
	_, err = w.scan(rows, t, math.MaxInt, f)
	return err
}

// scan hands on the sound ones of the next rows, at most so many, and counts all that it read.
func (w *writer) scan(rows *sql.Rows, t table, most int, f func(row) error) (n int, err error) {
	r := row{make([]int64, len(t.keys)), make([]int64, len(t.cells))}
	found := make([]any, len(t.keys)+1+len(t.cells))
	dest := make([]any, len(found))
	for i := range found {
		dest[i] = &found[i]
	}
	for n < most && rows.Next() {
		n++
		if err := rows.Scan(dest...); err != nil {
			return n, err
		}
		if !t.sound(found, r) {
			w.damaged++
			continue
		}
		if err := f(r); err != nil {
			return n, err
		}
	}
	if n == most {
		return n, nil
	}
	return n, rows.Err()
}

// sound takes a row apart into r, and tells whether it is as it was written. What is no
// whole number was not written by us.
func (t table) sound(found []any, r row) bool {
	n := len(t.keys)
	for i := range r.key {
		key, ok := found[i].(int64)
		if !ok {
			return false
		}
		r.key[i] = key
	}
	for i, cell := range found[n+1:] {
		switch v := cell.(type) {
		case nil:
			r.cells[i] = absent
		case int64:
			r.cells[i] = v
		default:
			return false
		}
	}
	chk, ok := found[n].(int64)
	return ok && chk == t.check(r)
}
