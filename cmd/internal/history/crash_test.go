package history_test

import (
	"bufio"
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"ebbwatch/cmd/internal/cardtest"
	"ebbwatch/cmd/internal/history"
)

// TestMain lets the tests run this program again as a writer that can be killed.
func TestMain(m *testing.M) {
	if path := os.Getenv("EBBWATCH_TEST_FULL"); path != "" {
		os.Exit(writeUntilFull(path))
	}
	if path := os.Getenv("EBBWATCH_TEST_FAULTS"); path != "" {
		os.Exit(writeUnderFaults(path))
	}
	if path := os.Getenv("EBBWATCH_TEST_WRITER"); path != "" {
		os.Exit(writeUntilKilled(path))
	}
	os.Exit(m.Run())
}

// writeUntilKilled writes batches of five minutes and says on standard output up to which
// sample each is on the card.
func writeUntilKilled(path string) int {
	first, err := strconv.Atoi(os.Getenv("EBBWATCH_TEST_FIRST"))
	if err != nil {
		return 2
	}
	s := history.Open(history.Options{Path: path, Boot: "boot one"})
	for batch := first; ; batch++ {
		from := time.Duration(batch) * 5 * time.Minute
		fill(s, from, from+5*time.Minute, 10*time.Second, true)
		if err := s.Flush(context.Background()); err != nil {
			fmt.Fprintln(os.Stderr, err)
			return 1
		}
		fmt.Println("written", batch)
	}
}

func trials(normal, study int) int {
	if os.Getenv("EBBWATCH_STUDY") != "" {
		return study
	}
	return normal
}

// sound reads all samples and tells whether each holds what was written, and that all of
// the first n batches are there. It gives the number of samples.
func sound(path string, batches int) (int, error) {
	s := history.Open(history.Options{Path: path, Boot: "boot one"})
	defer func() { _ = s.Close(context.Background()) }() // read only, so nothing is lost
	if p := s.Problem(); p != "" {
		return 0, fmt.Errorf("it did not open: %s", p)
	}
	return soundStore(s, batches)
}

func soundStore(s *history.Store, batches int) (int, error) {
	n := 0
	for half := range 1 + batches/144 {
		from := begin().Add(time.Duration(half) * 12 * time.Hour)
		got, err := s.Lookup(context.Background(), history.Query{From: from, To: from.Add(12 * time.Hour), Points: 4320, Names: []string{"battery_volts", "air_celsius"}})
		if err != nil {
			return n, err
		}
		for i, when := range got.Times {
			mono := when.Sub(begin())
			for c, q := range []int{0, 11} {
				if x := got.Columns[c].Mean[i]; x != value(q, mono) {
					return n, fmt.Errorf("at %s %s is %v, was written as %v", when, got.Columns[c].Name, x, value(q, mono))
				}
			}
		}
		n += len(got.Times)
	}
	if n < 30*batches {
		return n, fmt.Errorf("%d samples are there, %d were acknowledged", n, 30*batches)
	}
	return n, nil
}

// A writer that is killed at any instant loses at most what it had not acknowledged.
func TestKilledAtAnyInstant(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "history.db")
	batches := 0
	rng := rand.New(rand.NewPCG(1, 2))
	for range trials(6, 200) {
		batches = writeAndEnd(t, path, batches, rng.IntN(6), (*os.Process).Kill)
		n, err := sound(path, batches)
		if err != nil {
			t.Fatalf("after %d batches: %v", batches, err)
		}
		if n > 30*(batches+1) {
			t.Fatalf("%d samples, want at most one batch more than %d", n, 30*batches)
		}
		batches = (n + 29) / 30 // what came to the card without being acknowledged counts too
	}
	t.Logf("%d batches written in all", batches)
}

// The power of a card is cut while it is written: a real ext4 file system, whose journal is
// dropped. What was acknowledged is there, and the file is whole.
func TestPowerCutOfTheCard(t *testing.T) {
	image, card := cardtest.Image(t, 64<<20), t.TempDir()
	t.Cleanup(func() { _ = unix.Unmount(card, unix.MNT_DETACH) }) // is mounted only after a failure
	path := filepath.Join(card, "history.db")
	batches := 0
	rng := rand.New(rand.NewPCG(3, 4))
	for cut := range trials(6, 100) {
		cardtest.Attach(t, image, card)
		batches = writeAndEnd(t, path, batches, rng.IntN(6), func(*os.Process) error { return cardtest.CutPower(card) })
		cardtest.Detach(t, card)
		cardtest.Attach(t, image, card)
		n, err := sound(path, batches)
		if aside, _ := filepath.Glob(path + ".damaged-*"); err != nil || len(aside) > 0 || n > 30*(batches+1) {
			t.Fatalf("cut %d: %d samples after %d batches, %v, set aside %v", cut, n, batches, err, aside)
		}
		cardtest.Detach(t, card)
		batches = (n + 29) / 30
	}
	t.Logf("%d batches written in all", batches)
}

// writeAndEnd lets a writer go on from a batch, ends it a moment after some more were
// acknowledged, and gives the number that were in all.
func writeAndEnd(t *testing.T, path string, batches, more int, end func(*os.Process) error) int {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), os.Args[0])
	cmd.Env = append(os.Environ(), "EBBWATCH_TEST_WRITER="+path, "EBBWATCH_TEST_FIRST="+strconv.Itoa(batches))
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	lines := bufio.NewScanner(out)
	for i := 0; lines.Scan(); i++ {
		n, err := strconv.Atoi(strings.TrimPrefix(lines.Text(), "written "))
		if err != nil {
			t.Fatal(lines.Text())
		}
		batches = n + 1
		if i == more {
			if err := end(cmd.Process); err != nil {
				t.Error(err)
			}
		}
	}
	_ = cmd.Wait() // it was killed, or complains of its card
	return batches
}

// files holds the bytes of the database and of its log at one moment.
type files struct{ db, wal []byte }

func (f files) write(t *testing.T, path string) {
	t.Helper()
	for name, b := range map[string][]byte{path: f.db, path + "-wal": f.wal} {
		if err := os.WriteFile(name, b, 0o600); err != nil {
			t.Fatal(err)
		}
	}
}

// recording writes batches and keeps both files as they were after each.
func recording(t *testing.T, batches int) []files {
	t.Helper()
	path := filepath.Join(t.TempDir(), "history.db")
	s := open(t, history.Options{Path: path})
	var after []files
	for b := range batches {
		from := time.Duration(b) * 5 * time.Minute
		fill(s, from, from+5*time.Minute, 10*time.Second, true)
		if err := s.Flush(t.Context()); err != nil {
			t.Fatal(err)
		}
		db, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		wal, err := os.ReadFile(path + "-wal")
		if err != nil {
			t.Fatal(err)
		}
		after = append(after, files{db, wal})
	}
	return after
}

// torn is what a power cut may leave between two moments: of the file that was being
// written, any of its 512-byte sectors old or new. The log is on the card before the
// database is touched, and the database before the log begins anew; so only one of them is
// ever half written.
func torn(rng *rand.Rand, before, after files) (files, string) {
	mix := func(a, b []byte) []byte {
		out := append([]byte(nil), a...)
		if len(b) > len(out) {
			out = append(out, make([]byte, len(b)-len(out))...)[:len(a)+rng.IntN(len(b)-len(a)+1)]
		}
		share := rng.Float64()
		for i := 0; i < len(out); i += 512 {
			end := min(i+512, len(out))
			if end <= len(b) && rng.Float64() < share {
				copy(out[i:end], b[i:end])
			}
		}
		return out
	}
	switch {
	case string(before.db) != string(after.db):
		return files{mix(before.db, after.db), after.wal}, "database"
	case string(before.wal[:32]) != string(after.wal[:32]):
		// The new header is synced before any frame is written over (walFrames in SQLite's
		// wal.c, because of its ticket ff5be73dee), so the old one is never left with them.
		begun := append(append([]byte(nil), after.wal[:32]...), before.wal[32:]...)
		return files{before.db, mix(begun, after.wal)}, "log begun anew"
	}
	return files{before.db, mix(before.wal, after.wal)}, "log"
}

// Power cuts while a batch is written: the file always opens, every batch acknowledged
// before is there, and no value is wrong.
func TestPowerCutWhileWriting(t *testing.T) {
	t.Parallel()
	states := recording(t, trials(200, 300))
	rng := rand.New(rand.NewPCG(3, 4))
	path := filepath.Join(t.TempDir(), "history.db")
	kinds := map[string]int{}
	var rare []int // where the log is carried over, and where it begins anew
	for i := 1; i < len(states); i++ {
		if _, kind := torn(rng, states[i-1], states[i]); kind != "log" {
			rare = append(rare, i)
		}
	}
	if len(rare) < 2 {
		t.Fatalf("the log was carried over %d times only: the test is blind", len(rare))
	}
	for n := range trials(80, 2000) {
		i := 1 + rng.IntN(len(states)-1)
		if n%2 == 0 {
			i = rare[rng.IntN(len(rare))]
		}
		cut, kind := torn(rng, states[i-1], states[i])
		kinds[kind]++
		cut.write(t, path)
		if _, err := sound(path, i); err != nil {
			t.Fatalf("cut in the %s while batch %d was written: %v", kind, i, err)
		}
	}
	t.Logf("cuts: %v", kinds)
}

// A worn card may answer wrong in silence. Whatever bit flips, a value that is given is
// the value that was written; what is not sound is left out or the file set aside.
func TestFlippedBitsNeverLie(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "history.db")
	s := open(t, history.Options{Path: path})
	flushed(t, s, 0, 6*time.Hour, true)
	if err := s.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	good, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(5, 6))
	outcome := map[string]int{}
	for range trials(80, 2000) {
		bad := append([]byte(nil), good...)
		bad[rng.IntN(len(bad))] ^= 1 << rng.IntN(8)
		target := filepath.Join(t.TempDir(), "history.db")
		files{bad, nil}.write(t, target)
		outcome[flipped(t, target)]++
	}
	t.Log(outcome)
	if outcome["left out"]+outcome["refused"]+outcome["set aside"] == 0 {
		t.Error("no flip was noticed: the test is blind")
	}
}

func flipped(t *testing.T, path string) string {
	t.Helper()
	s := history.Open(history.Options{Path: path, Boot: "boot one"})
	defer func() { _ = s.Close(context.Background()) }()
	if s.Problem() != "" {
		return "set aside"
	}
	n, err := soundStore(s, 0)
	switch {
	case err != nil && strings.Contains(err.Error(), "was written as"):
		t.Fatal(err)
	case err != nil:
		return "refused"
	case n < 6*360:
		return "left out"
	}
	return "harmless"
}
