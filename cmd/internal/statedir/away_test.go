package statedir

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

// A folder that cannot be used at the start is waited for: nothing is lost but what could not be
// kept, and the next save that can be made is made.
func TestAFolderThatComesLater(t *testing.T) {
	t.Parallel()
	blocked := filepath.Join(t.TempDir(), "card")
	if err := os.WriteFile(blocked, nil, 0o600); err != nil { // stands in the way of a folder
		t.Fatal(err)
	}
	path := filepath.Join(blocked, "state")
	d, err := OpenOrWait(path)
	if err != nil || d.Away() == nil {
		t.Fatal(err)
	}
	var b belief
	if l := d.Load("belief", &b); l.Found || len(l.Problems) == 0 {
		t.Errorf("%+v was loaded, nothing can be read", l)
	}
	if err := d.Save("belief", belief{N: 1}); err == nil || !strings.Contains(err.Error(), path) {
		t.Errorf("the save says %v", err)
	}
	if err := os.Remove(blocked); err != nil {
		t.Fatal(err)
	}
	save(t, d, belief{N: 2})
	if err := d.Away(); err != nil {
		t.Errorf("it is still away: %v", err)
	}
	if _, err := Open(path); !errors.Is(err, ErrInUse) {
		t.Errorf("it is not locked: %v", err)
	}
	if err := d.Close(); err != nil {
		t.Fatal(err)
	}
	if l := open(t, path).Load("belief", &b); !l.Found || b.N != 2 {
		t.Errorf("%+v, %d; want what was saved last", l, b.N)
	}
}

// A second daemon is refused all the same.
func TestWaitingIsNotForAnotherDaemon(t *testing.T) {
	t.Parallel()
	path := t.TempDir()
	open(t, path)
	if _, err := OpenOrWait(path); !errors.Is(err, ErrInUse) {
		t.Errorf("a second owner gets %v", err)
	}
}

// A pipe in place of a file holds up neither a load nor a save.
func TestAPipeIsNoState(t *testing.T) {
	t.Parallel()
	path := t.TempDir()
	d := open(t, path)
	for _, name := range []string{"belief", "belief.1"} {
		if err := syscall.Mkfifo(filepath.Join(path, name), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	var b belief
	if l := d.Load("belief", &b); l.Found || len(l.Problems) != 2 || !strings.Contains(l.Problems[0], "no plain file") {
		t.Errorf("%+v", l)
	}
	if err := d.Save("belief", belief{N: 1}); err == nil {
		t.Error("a save into a pipe says that it worked")
	}
	save(t, d, belief{N: 2}) // what stood in the way of the first is gone
}
