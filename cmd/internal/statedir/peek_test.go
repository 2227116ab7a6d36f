package statedir

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"testing"
)

func TestPeekWhileAnotherOwnsTheFolder(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "state")
	d, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	for _, x := range []int{1, 2} {
		if err := d.Save("node", map[string]int{"x": x}); err != nil {
			t.Fatal(err)
		}
	}
	read := func() (map[string]int, error) {
		got := map[string]int{}
		return got, Peek(path, "node", &got)
	}
	if got, err := read(); err != nil || got["x"] != 2 {
		t.Fatalf("peeked %v, %v; want x 2", got, err)
	}
	if err := os.WriteFile(filepath.Join(path, "node.1"), []byte("torn"), 0o600); err != nil {
		t.Fatal(err)
	}
	if got, err := read(); err != nil || got["x"] != 1 {
		t.Fatalf("with the newest damaged it peeked %v, %v; want x 1 of the generation before", got, err)
	}
	if torn, err := os.ReadFile(filepath.Join(path, "node.1")); err != nil || string(torn) != "torn" {
		t.Fatalf("peeking changed the folder: %q, %v", torn, err)
	}
	var v any
	if err := Peek(path, "nothing", &v); !errors.Is(err, fs.ErrNotExist) {
		t.Fatalf("peeking at nothing gives %v", err)
	}
	if err := Peek(path, "../node", &v); err == nil {
		t.Fatal("a name with a path in it was taken")
	}
}
