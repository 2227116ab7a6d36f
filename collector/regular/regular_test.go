package regular

import (
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

// What is no file is refused by name, at once: a fifo without a writer would hang a plain open.
func TestWhatIsNoFile(t *testing.T) {
	t.Parallel()
	fifo := filepath.Join(t.TempDir(), "fifo")
	if err := syscall.Mkfifo(fifo, 0o600); err != nil {
		t.Fatal(err)
	}
	for path, want := range map[string]string{fifo: "a fifo", t.TempDir(): "a folder", "/dev/zero": "a device", fifo + "x": "no such file"} {
		for how, err := range map[string]error{"Open": second(Open(path)), "Read": second(Read(path))} {
			if err == nil || !strings.Contains(err.Error(), want) || !strings.Contains(err.Error(), path) {
				t.Errorf("%s: %v, want %q and its path", how, err, want)
			}
		}
	}
}

func second[T any](_ T, err error) error { return err }

func TestAFileIsRead(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(path, []byte("what it holds"), 0o600); err != nil {
		t.Fatal(err)
	}
	if got, err := Read(path); string(got) != "what it holds" || err != nil {
		t.Errorf("read %q, %v", got, err)
	}
}
