package statedir

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"golang.org/x/sys/unix"
)

func TestLettersArriveOnceInOrder(t *testing.T) {
	t.Parallel()
	path := t.TempDir()
	d, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	for _, what := range []string{"first", "second", "third"} {
		if err := Leave(path, what); err != nil {
			t.Fatal(err)
		}
	}
	var got []string
	take := func(data []byte) error { got = append(got, string(data)); return nil }
	if err := errors.Join(d.Collect(take), d.Collect(take)); err != nil {
		t.Fatal(err)
	}
	if want := `"first","second","third"`; strings.Join(got, ",") != want {
		t.Errorf("got %v, want %s", got, want)
	}
}

func TestBadLettersAreRemovedAndTold(t *testing.T) {
	t.Parallel()
	path := t.TempDir()
	d, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	big := filepath.Join(path, "letter-1-big")
	if err := os.WriteFile(big, make([]byte, maxLetter+1), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink("/etc/hostname", filepath.Join(path, "letter-2-link")); err != nil {
		t.Fatal(err)
	}
	if err := Leave(path, "refused"); err != nil {
		t.Fatal(err)
	}
	refusal := errors.New("not understood")
	err = d.Collect(func([]byte) error { return refusal })
	if !errors.Is(err, refusal) || !strings.Contains(err.Error(), big) || !strings.Contains(err.Error(), "letter-2-link") {
		t.Errorf("the error does not name all three: %v", err)
	}
	if left, _ := filepath.Glob(filepath.Join(path, "letter-*")); len(left) > 0 {
		t.Errorf("left behind: %v", left)
	}
}

func TestLeaveWithoutAFolder(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "missing")
	if err := Leave(path, "x"); err == nil || !strings.Contains(err.Error(), path) {
		t.Errorf("want an error that names %s, got %v", path, err)
	}
}

func TestInUse(t *testing.T) {
	t.Parallel()
	path := t.TempDir()
	if used(t, path) || used(t, filepath.Join(path, "missing")) {
		t.Error("in use although nobody opened it")
	}
	d, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	if !used(t, path) {
		t.Error("not in use although it is open")
	}
	if err := d.Close(); err != nil || used(t, path) {
		t.Errorf("still in use after Close: %v", err)
	}
}

func used(t *testing.T, path string) bool {
	t.Helper()
	yes, err := InUse(path)
	if err != nil {
		t.Error(err)
	}
	return yes
}

// Who may not look is told so, and not that no daemon runs.
func TestInUseIsNotForEverybody(t *testing.T) {
	t.Parallel()
	path := t.TempDir()
	open(t, path)
	if err := os.Chmod(path, 0o700); err != nil {
		t.Fatal(err)
	}
	const nobody = 65534
	done := make(chan error, 1)
	go func() {
		runtime.LockOSThread() // ends with the goroutine, and the file rights of the thread with it
		err := unix.Setfsuid(nobody)
		if err == nil {
			_, err = InUse(path)
		}
		done <- err
	}()
	if err := <-done; os.Geteuid() == 0 && !errors.Is(err, fs.ErrPermission) {
		t.Errorf("another user is told %v", err)
	}
}
