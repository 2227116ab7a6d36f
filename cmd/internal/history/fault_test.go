package history_test

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"ebbwatch/cmd/internal/history"
	"ebbwatch/collector/needtest"
)

// faultBatches is how many batches of 5 minutes the child of the fault test records.
const faultBatches = 60

// writeUnderFaults records batch after batch and says which were acknowledged, and which were told
// as not written.
func writeUnderFaults(path string) int {
	s := history.Open(history.Options{Path: path, Boot: "boot one"})
	for b := range faultBatches {
		from := time.Duration(b) * 5 * time.Minute
		fill(s, from, from+5*time.Minute, 10*time.Second, true)
		if err := s.Flush(context.Background()); err != nil {
			fmt.Println("failed", b, err, "|", s.Problem())
			continue
		}
		fmt.Println("written", b)
	}
	fmt.Println("closed", s.Close(context.Background()))
	return 0
}

// Faults of the card, injected into the system calls of a real process while it records: what was
// acknowledged is there afterwards, what was not was told, and once the fault is over all that
// waited is written.
func TestFaultsOfTheCard(t *testing.T) {
	t.Parallel()
	strace := needtest.Program(t, "strace")
	for name, c := range map[string]struct {
		inject string
		fails  bool // some batches cannot be acknowledged
		ends   bool // the fault is over before the last batch
	}{
		"a write fails now and then":    {"pwrite64:error=EIO:when=40+90", true, true},
		"the card is full now and then": {"pwrite64:error=ENOSPC:when=50+70", true, true},
		"it turns read-only":            {"pwrite64:error=EROFS:when=200+", true, false},
		"a sync fails now and then":     {"fsync,fdatasync:error=EIO:when=5+9", true, true},
		"every sync fails from then on": {"fsync,fdatasync:error=EIO:when=20+", true, false},
		"it is slow":                    {"fsync,fdatasync:delay_enter=20000", false, true},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			path := filepath.Join(t.TempDir(), "history.db")
			cmd := exec.CommandContext(t.Context(), strace, "-f", "-qq", "-o", os.DevNull, "-P", path, "-P", path+"-wal", "-e", "inject="+c.inject, os.Args[0])
			cmd.Env = append(os.Environ(), "EBBWATCH_TEST_FAULTS="+path)
			out, err := cmd.CombinedOutput()
			if err != nil {
				t.Fatalf("%v: %s", err, out)
			}
			written, failed := 0, 0
			for line := range strings.Lines(string(out)) {
				word, rest, _ := strings.Cut(strings.TrimSpace(line), " ")
				number, rest, _ := strings.Cut(rest, " ")
				switch word {
				case "written":
					n, err := strconv.Atoi(number)
					if err != nil {
						t.Fatal(line)
					}
					written = n + 1 // all before it, too
				case "failed":
					failed++
					if !strings.Contains(rest, path) || !strings.Contains(rest, "memory only") {
						t.Errorf("it is not told what failed: %s", line)
					}
				}
			}
			if (failed > 0) != c.fails || c.ends && written < faultBatches-3 {
				t.Errorf("%d batches are acknowledged, %d tries failed:\n%s", written, failed, out)
			}
			if n, err := sound(path, written); err != nil || n < 30*written {
				t.Errorf("%d samples are on the card, %v; %d batches were acknowledged", n, err, written)
			}
		})
	}
}
