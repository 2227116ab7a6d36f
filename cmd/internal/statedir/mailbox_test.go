package statedir

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
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
	if InUse(path) || InUse(filepath.Join(path, "missing")) {
		t.Error("in use although nobody opened it")
	}
	d, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	if !InUse(path) {
		t.Error("not in use although it is open")
	}
	if err := d.Close(); err != nil || InUse(path) {
		t.Errorf("still in use after Close: %v", err)
	}
}
