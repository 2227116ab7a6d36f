package history

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"
)

// open opens the file, or sets a damaged one aside and begins anew. What goes wrong is
// kept as the problem, and tried again with the next batch.
func (w *writer) open() {
	err := w.tryOpen()
	if isDamage(err) && !w.o.Look {
		err = w.setAside(err)
	}
	w.report(err)
}

// check looks once through the file. A bit that flipped in the tree above the rows is not noticed
// when rows are looked up: they are not found, and that is all. It takes seconds on a small board,
// during which samples wait in the mailbox.
func (w *writer) check() {
	if w.db == nil || w.o.Look {
		return
	}
	var says string
	err := w.db.QueryRow("PRAGMA quick_check(1)").Scan(&says)
	switch {
	case err == nil && says != "ok":
		err = fmt.Errorf("database disk image is malformed: %s", strings.ReplaceAll(says, "\n", " "))
	case err == nil || !isDamage(err):
		return // what else is wrong the next batch tells
	}
	w.report(w.setAside(err))
}

// keepDamaged is how many damaged files are kept, for whoever wants to know what happened; more
// would fill a card.
const keepDamaged = 3

// setAside moves a damaged file out of the way, begins a new one, and has what can be read of the
// old one carried over.
func (w *writer) setAside(damage error) error {
	if w.db != nil {
		_ = w.db.Close() // it is damaged; nothing more can be lost
		w.db = nil
	}
	aside := fmt.Sprintf("%s.damaged-%d", w.o.Path, time.Now().UnixNano())
	if err := errors.Join(rename(w.o.Path, aside), rename(w.o.Path+"-wal", aside+"-wal")); err != nil {
		return errors.Join(damage, err)
	}
	w.prune()
	w.asides = fmt.Sprintf("history: the file was damaged (%v) and set aside as %s; a new one was begun", damage, filepath.Base(aside))
	w.o.Log.Error("the history was damaged and set aside; a new one is begun", "err", damage, "aside", aside)
	if err := w.tryOpen(); err != nil {
		return err
	}
	_, err := w.db.Exec("INSERT INTO rescue (aside) VALUES (?)", filepath.Base(aside))
	w.rescueFrom(filepath.Base(aside))
	return err
}

// prune deletes the oldest of the damaged files that were set aside.
func (w *writer) prune() {
	asides, _ := filepath.Glob(escapeGlob(w.o.Path) + ".damaged-*[0-9]") // the pattern is sound
	// By time: what an older version set aside has fewer digits.
	slices.SortFunc(asides, func(a, b string) int { return cmp.Or(cmp.Compare(len(a), len(b)), cmp.Compare(a, b)) })
	for _, old := range asides[:max(0, len(asides)-keepDamaged)] {
		_ = errors.Join(os.Remove(old), os.Remove(old+"-wal")) // one too many is no harm
	}
}

func escapeGlob(path string) string {
	return strings.NewReplacer(`\`, `\\`, "*", `\*`, "?", `\?`, "[", `\[`).Replace(path)
}

func rename(from, to string) error {
	if err := os.Rename(from, to); err != nil && !os.IsNotExist(err) {
		return err
	}
	return nil
}

// isDamage tells damage, which a new file mends, from a card that is full or locked.
func isDamage(err error) bool {
	if err == nil {
		return false
	}
	s := err.Error()
	return strings.Contains(s, "malformed") || strings.Contains(s, "not a database") || strings.Contains(s, "SQLITE_CORRUPT") ||
		strings.Contains(s, "SQLITE_NOTADB") || errors.Is(err, errShape) || errors.Is(err, errEmpty)
}

// errShape says that the file is a sound database, but not one of ours.
var errShape = errors.New("it is not a history")

// errEmpty says that the file is there, but shorter than the head of any database: it was cut.
var errEmpty = errors.New("it is empty: what it held is gone")

// plainFile refuses what is no file, such as a pipe, which would hold up whoever opens it, and a
// file that was cut to nothing, which SQLite would take for a new one.
func plainFile(path string) error {
	const head = 100 // bytes, of a file of SQLite
	info, err := os.Lstat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case err != nil:
		return err
	case info.Mode()&fs.ModeSymlink != 0:
		target, err := filepath.EvalSymlinks(path)
		if err != nil {
			return err
		}
		return plainFile(target)
	case !info.Mode().IsRegular():
		return errors.New("it is no plain file")
	case info.Size() < head:
		return errEmpty
	}
	return nil
}

func (w *writer) tryOpen() (err error) {
	if err := plainFile(w.o.Path); err != nil {
		return fmt.Errorf("cannot open %s: %w", w.o.Path, err)
	}
	db, err := sql.Open("sqlite", "file:"+(escape(w.o.Path)))
	if err != nil {
		return fmt.Errorf("cannot open %s: %w", w.o.Path, err)
	}
	db.SetMaxOpenConns(1)
	db.SetMaxIdleConns(1)
	defer func() {
		if err != nil {
			err = fmt.Errorf("cannot open %s: %w", w.o.Path, err)
			_ = db.Close() // the first error says more
		}
	}()
	// The order matters: the page size before anything is written, exclusive before WAL,
	// so that the index of the WAL stays in memory. A small cache does: what is written is at
	// the end, and what is read back is read once.
	for _, p := range []string{"page_size = 1024", "locking_mode = EXCLUSIVE", "journal_mode = WAL", "synchronous = FULL",
		"wal_autocheckpoint = 1000", "journal_size_limit = 2000000", "cache_size = -256", "busy_timeout = 100"} {
		if _, err := db.Exec("PRAGMA " + p); err != nil {
			return err
		}
	}
	if err := w.shape(db); err != nil {
		return err
	}
	w.db, w.roomy = db, false
	if w.unfinished != "" && !w.o.Look {
		w.asides = fmt.Sprintf("history: a damaged file was set aside as %s; a new one was begun", w.unfinished)
		w.rescueFrom(w.unfinished)
		w.unfinished = ""
	}
	return nil
}

// logRoom is a little more than the log of SQLite holds when it begins again from its start.
const logRoom = 1_100_000

// makeRoom lengthens the log to what it will come to, once. A file that grows batch by batch
// costs the card three times what is put into it: blocks are found and written down each time.
// SQLite takes zeros at the end of its log for nothing, as it does what is left there of before.
func (w *writer) makeRoom() {
	if w.roomy {
		return
	}
	w.roomy = true
	log, err := os.OpenFile(w.o.Path+"-wal", os.O_WRONLY, 0)
	if err != nil {
		return // it costs more, and no more than that
	}
	defer log.Close()
	size, err := log.Seek(0, io.SeekEnd)
	if err != nil || size >= logRoom {
		return
	}
	zeros := make([]byte, 32<<10)
	for left := logRoom - size; left > 0 && err == nil; left -= int64(len(zeros)) {
		_, err = log.Write(zeros[:min(left, int64(len(zeros)))])
	}
	if err = errors.Join(err, log.Sync()); err != nil {
		_ = log.Truncate(size) // a full disk is better used otherwise
	}
}

// escape makes a path fit for a file: URI.
func escape(path string) string {
	return strings.NewReplacer("%", "%25", "?", "%3f", "#", "%23").Replace(path)
}

// shape makes the tables, adds columns that are new, and reads where the record stands.
func (w *writer) shape(db *sql.DB) error {
	tx, err := db.Begin()
	if err != nil {
		return err
	}
	defer func() { _ = tx.Rollback() }() // nothing to undo once committed
	if _, err := tx.Exec("CREATE TABLE IF NOT EXISTS boots (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE)"); err != nil {
		return err
	}
	if _, err := tx.Exec("CREATE TABLE IF NOT EXISTS notices (id INTEGER PRIMARY KEY, t INTEGER NOT NULL, chk INTEGER NOT NULL, notice TEXT NOT NULL)"); err != nil {
		return err
	}
	for _, t := range []table{w.raw, w.undated, w.rolls[0].table, w.rolls[1].table} {
		if err := addColumns(tx, t); err != nil {
			return err
		}
	}
	if err := w.view(tx); err != nil {
		return err
	}
	if _, err := tx.Exec("INSERT OR IGNORE INTO boots (name) VALUES (?)", w.o.Boot); err != nil {
		return err
	}
	if err := tx.QueryRow("SELECT id FROM boots WHERE name = ?", w.o.Boot).Scan(&w.boot); err != nil {
		return err
	}
	if _, err := tx.Exec("CREATE TABLE IF NOT EXISTS sent (name TEXT PRIMARY KEY, seq INTEGER NOT NULL) WITHOUT ROWID"); err != nil {
		return err
	}
	if err := listLate(tx); err != nil {
		return err
	}
	if w.claims, err = readClaims(tx); err != nil {
		return err
	}
	if err := w.resumeRescue(tx); err != nil {
		return err
	}
	var newest, seq, sent sql.NullInt64
	if err := tx.QueryRow("SELECT max(t), (SELECT max(seq) FROM sent) FROM raw").Scan(&newest, &sent); err != nil {
		return err
	}
	// The sample that came last is the newest, or one of those that came late.
	err = tx.QueryRow("SELECT seq FROM raw WHERE t IN (SELECT max(t) FROM raw UNION SELECT t FROM late) ORDER BY seq DESC LIMIT 1").Scan(&seq)
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		return err
	}
	w.newest, w.seq, w.low = newest.Int64, max(seq.Int64, sent.Int64), map[string]int64{}
	var n int
	if err := tx.QueryRow("SELECT count(*) FROM (SELECT 1 FROM undated WHERE boot = ? LIMIT 1)", w.boot).Scan(&n); err != nil {
		return err
	}
	w.stranded = n > 0
	return tx.Commit()
}

// listLate makes the list of the samples that found their place after newer ones, because a
// clock was set back. All others lie in the order in which they came, so that the samples need
// no index by it, which was a third of all that is written: older files have that.
func listLate(tx *sql.Tx) error {
	have, err := columnsOf(tx, "late")
	if err != nil || len(have) > 0 {
		return err
	}
	for _, q := range []string{
		"CREATE TABLE late (seq INTEGER PRIMARY KEY, t INTEGER NOT NULL)",
		`INSERT INTO late SELECT seq, t FROM
			(SELECT seq, t, max(t) OVER (ORDER BY seq ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING) AS newest FROM raw)
			WHERE t < newest`,
		"DROP INDEX IF EXISTS raw_seq",
	} {
		if _, err := tx.Exec(q); err != nil {
			return err
		}
	}
	return nil
}

func addColumns(tx *sql.Tx, t table) error {
	if _, err := tx.Exec(t.create()); err != nil {
		return err
	}
	have, err := columnsOf(tx, t.name)
	if err != nil {
		return err
	}
	for _, k := range append([]string{"chk"}, t.keys...) {
		if !slices.Contains(have, k) {
			return fmt.Errorf("%w: table %s lacks %s", errShape, t.name, k)
		}
	}
	for _, c := range t.cells {
		if !slices.Contains(have, c) {
			if _, err := tx.Exec(fmt.Sprintf("ALTER TABLE %s ADD COLUMN %s INTEGER", t.name, quote([]string{c}))); err != nil {
				return err
			}
		}
	}
	return nil
}

func columnsOf(q querier, name string) ([]string, error) {
	rows, err := q.QueryContext(context.Background(), "SELECT name FROM pragma_table_info(?)", name)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var have []string
	for rows.Next() {
		var c string
		if err := rows.Scan(&c); err != nil {
			return nil, err
		}
		have = append(have, c)
	}
	return have, rows.Err()
}

// view lets people read the samples in their units with any tool.
func (w *writer) view(tx *sql.Tx) error {
	cols := []string{`strftime('%Y-%m-%dT%H:%M:%SZ', t / 1000, 'unixepoch') AS time`}
	for _, c := range w.cols {
		name := quote([]string{c.name})
		cols = append(cols, fmt.Sprintf("%s / %.1f AS %s", name, c.scale, name))
	}
	make := "CREATE VIEW readings AS SELECT " + strings.Join(cols, ", ") + " FROM raw"
	var have sql.NullString
	err := tx.QueryRow("SELECT sql FROM sqlite_master WHERE name = 'readings'").Scan(&have)
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		return err
	}
	if have.String == make {
		return nil
	}
	if _, err := tx.Exec("DROP VIEW IF EXISTS readings"); err != nil {
		return err
	}
	_, err = tx.Exec(make)
	return err
}
