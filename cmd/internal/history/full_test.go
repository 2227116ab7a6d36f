package history_test

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"ebbwatch/cmd/internal/history"
)

// writeUntilFull writes while no file of this process may grow beyond 60 kB, as on a card
// that is full, then makes room and writes on. It says what it saw.
func writeUntilFull(path string) int {
	signal.Ignore(syscall.SIGXFSZ) // the write fails instead
	var room syscall.Rlimit
	if err := syscall.Getrlimit(syscall.RLIMIT_FSIZE, &room); err != nil {
		return 2
	}
	s := history.Open(history.Options{Path: path, Boot: "boot one"})
	limit := func(n uint64) {
		if err := syscall.Setrlimit(syscall.RLIMIT_FSIZE, &syscall.Rlimit{Cur: n, Max: room.Max}); err != nil {
			fmt.Println(err)
		}
	}
	limit(60_000)
	var failed error
	for m := time.Duration(0); m < 6*time.Hour; m += 10 * time.Minute {
		fill(s, m, m+10*time.Minute, 10*time.Second, true)
		if err := s.Flush(context.Background()); err != nil {
			failed = err
		}
	}
	got, err := s.Lookup(context.Background(), history.Query{From: begin(), To: begin().Add(6 * time.Hour), Points: 2160})
	fmt.Println("full:", failed)
	fmt.Println("problem:", s.Problem())
	fmt.Println("samples:", len(got.Times), err)
	limit(room.Max)
	fill(s, 6*time.Hour, 7*time.Hour, 10*time.Second, true)
	fmt.Println("room again:", s.Flush(context.Background()))
	fmt.Println("closed:", s.Close(context.Background()))
	return 0
}

// A card that is full keeps what it has, the rest waits in memory and can be looked up,
// and all of it is written once there is room.
func TestFullCard(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "history.db")
	cmd := exec.CommandContext(t.Context(), os.Args[0])
	cmd.Env = append(os.Environ(), "EBBWATCH_TEST_FULL="+path)
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	text := string(out)
	for _, want := range []string{"full: cannot write " + path, "samples: 2160 <nil>", "room again: <nil>", "closed: <nil>"} {
		if !strings.Contains(text, want) {
			t.Errorf("it did not say %q:\n%s", want, text)
		}
	}
	if !strings.Contains(text, "problem: history: cannot write "+path) || !strings.Contains(text, "in memory only") {
		t.Errorf("the problem is not told:\n%s", text)
	}
	if n, err := sound(path, 84); err != nil || n != 7*360 {
		t.Errorf("%d samples are on the card, %v; want %d", n, err, 7*360)
	}
}
