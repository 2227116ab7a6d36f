package cardtest

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"golang.org/x/sys/unix"

	"ebbwatch/collector/needtest"
)

// Image makes a file of some bytes with an empty file system in it. Its blocks are of 4096
// bytes, as on a card.
func Image(t testing.TB, size int64) string {
	t.Helper()
	image := filepath.Join(t.TempDir(), "image")
	if err := os.WriteFile(image, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(image, size); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command("mkfs.ext4", "-q", "-F", "-b", "4096", image).CombinedOutput()
	needtest.Need(t, fmt.Sprintf("mkfs.ext4: %v %s", err, out), err == nil)
	return image
}

// Attach mounts the image on a folder.
func Attach(t testing.TB, image, folder string) {
	t.Helper()
	out, err := exec.Command("mount", "-o", "loop", image, folder).CombinedOutput()
	needtest.Need(t, fmt.Sprintf("the right to mount a file: %v %s", err, out), err == nil)
}

// Detach takes the card out.
func Detach(t testing.TB, folder string) {
	t.Helper()
	if out, err := exec.Command("umount", folder).CombinedOutput(); err != nil {
		t.Fatalf("cannot unmount %s: %v %s", folder, err, out)
	}
}

// The request that shuts a mounted ext4 file system down, and the flag that drops what its
// journal did not yet write: what a power cut does (EXT4_IOC_SHUTDOWN in fs/ext4/ext4.h of
// Linux).
const (
	shutdown       = 0x8004587d
	dropTheJournal = 2
)

// CutPower ends the file system as a power cut does. It still has to be detached.
func CutPower(folder string) error {
	dir, err := os.Open(folder)
	if err != nil {
		return err
	}
	defer dir.Close()
	return unix.IoctlSetPointerInt(int(dir.Fd()), shutdown, dropTheJournal)
}

// Settle has all that waits written to the card, as it is after half a minute.
func Settle(folder string) error {
	dir, err := os.Open(folder)
	if err != nil {
		return err
	}
	defer dir.Close()
	return unix.Syncfs(int(dir.Fd()))
}

// Written is how many bytes were written to the card mounted on a folder since it was put in:
// field 7 of /sys/block/*/stat, in sectors of 512 bytes (Documentation/block/stat.rst of Linux).
func Written(t testing.TB, folder string) float64 {
	t.Helper()
	mounts, err := os.ReadFile("/proc/mounts")
	if err != nil {
		t.Fatal(err)
	}
	for line := range strings.Lines(string(mounts)) {
		f := strings.Fields(line)
		if f[1] != folder {
			continue
		}
		stat, err := os.ReadFile(filepath.Join("/sys/block", filepath.Base(f[0]), "stat"))
		if err != nil {
			t.Fatal(err)
		}
		sectors, err := strconv.ParseFloat(strings.Fields(string(stat))[6], 64)
		if err != nil {
			t.Fatal(err)
		}
		return sectors * 512
	}
	t.Fatalf("nothing is mounted on %s", folder)
	return 0
}
