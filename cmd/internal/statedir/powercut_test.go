package statedir

import (
	"os"
	"testing"

	"golang.org/x/sys/unix"

	"ebbwatch/cmd/internal/cardtest"
)

// TestPowerCut cuts the power of a real ext4 file system while a process saves on it. What
// it said was saved must be there after the journal was replayed; what was cut off while it was
// written may be told. A few cuts by default; EBBWATCH_STUDY=1 makes 100.
func TestPowerCut(t *testing.T) {
	cuts := 5
	if os.Getenv("EBBWATCH_STUDY") != "" {
		cuts = 100
	}
	image, mount := cardtest.Image(t, 16<<20), t.TempDir()
	t.Cleanup(func() { _ = unix.Unmount(mount, unix.MNT_DETACH) }) // is mounted only after a failure
	saved := 0
	for i := range cuts {
		cardtest.Attach(t, image, mount)
		saved = saveAndEnd(t, mount, saved, 3+i%5, func(*os.Process) error { return cardtest.CutPower(mount) })
		cardtest.Detach(t, mount)

		cardtest.Attach(t, image, mount)
		d, err := Open(mount)
		if err != nil {
			t.Fatal(err)
		}
		var b belief
		l := d.Load("belief", &b)
		if err := d.Close(); err != nil {
			t.Error(err)
		}
		cardtest.Detach(t, mount)
		if !l.Found || len(l.Problems) > 1 || b.N < saved {
			t.Fatalf("cut %d: %+v gave %d, but %d was saved", i, l, b.N, saved)
		}
		saved = b.N
	}
}
