package statedir

import (
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"golang.org/x/sys/unix"
)

// The request that shuts a mounted ext4 file system down, and the flag that drops what its
// journal did not yet write: what a power cut does (EXT4_IOC_SHUTDOWN in fs/ext4/ext4.h of
// Linux).
const (
	shutdown       = 0x8004587d
	dropTheJournal = 2
)

// TestPowerCut cuts the power of a real ext4 file system while a process saves on it. What
// it said was saved must be there after the journal was replayed; what was cut off while it was
// written may be told. A few cuts by default; EBBWATCH_STUDY=1 makes 100.
func TestPowerCut(t *testing.T) {
	cuts := 5
	if os.Getenv("EBBWATCH_STUDY") != "" {
		cuts = 100
	}
	image, mount := newImage(t), t.TempDir()
	t.Cleanup(func() { _ = unix.Unmount(mount, unix.MNT_DETACH) }) // is mounted only after a failure
	saved := 0
	for i := range cuts {
		attach(t, image, mount)
		saved = saveAndEnd(t, mount, saved, 3+i%5, func(*os.Process) error { return cutPower(mount) })
		detach(t, mount)

		attach(t, image, mount)
		d, err := Open(mount)
		if err != nil {
			t.Fatal(err)
		}
		var b belief
		l := d.Load("belief", &b)
		if err := d.Close(); err != nil {
			t.Error(err)
		}
		detach(t, mount)
		if !l.Found || len(l.Problems) > 1 || b.N < saved {
			t.Fatalf("cut %d: %+v gave %d, but %d was saved", i, l, b.N, saved)
		}
		saved = b.N
	}
}

// newImage makes a file with an empty file system in it.
func newImage(t *testing.T) string {
	t.Helper()
	image := filepath.Join(t.TempDir(), "image")
	if err := os.WriteFile(image, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(image, 16<<20); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command("mkfs.ext4", "-q", "-F", image).CombinedOutput(); err != nil {
		needs(t, "mkfs.ext4: %v %s", err, out)
	}
	return image
}

// attach mounts the image; without the right to do so the test cannot be made.
func attach(t *testing.T, image, mount string) {
	t.Helper()
	if out, err := exec.Command("mount", "-o", "loop", image, mount).CombinedOutput(); err != nil {
		needs(t, "the right to mount a file: %v %s", err, out)
	}
}

func detach(t *testing.T, mount string) {
	t.Helper()
	if out, err := exec.Command("umount", mount).CombinedOutput(); err != nil {
		t.Fatalf("cannot unmount %s: %v %s", mount, err, out)
	}
}

func cutPower(mount string) error {
	dir, err := os.Open(mount)
	if err != nil {
		return err
	}
	defer dir.Close()
	return unix.IoctlSetPointerInt(int(dir.Fd()), shutdown, dropTheJournal)
}

// needs ends a test that this machine cannot make; where everything must be tested, that is
// a failure.
func needs(t *testing.T, format string, args ...any) {
	t.Helper()
	if os.Getenv("CI") == "true" {
		t.Fatalf("needs "+format, args...)
	}
	t.Skipf("skipped: needs "+format, args...)
}
