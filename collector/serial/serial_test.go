package serial

import (
	"os"
	"path/filepath"
	"syscall"
	"testing"

	"github.com/creack/pty"

	"ebbwatch/collector/needtest"
)

// A program that we start must not hold the port open.
func TestPortIsNotHandedToChildren(t *testing.T) {
	t.Parallel()
	m, s, err := pty.Open()
	needtest.Need(t, "pseudo-terminals", err == nil)
	defer func() { _ = m.Close(); _ = s.Close() }()
	link := filepath.Join(t.TempDir(), "usb-0001")
	if err := os.Symlink(s.Name(), link); err != nil {
		t.Fatal(err)
	}
	w, err := Open(link, Mode{Baud: 19200, Parity: "even", StopBits: 1})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = w.Close() }()
	entries, err := os.ReadDir("/proc/self/fd")
	needtest.Need(t, "/proc", err == nil)
	held := 0
	for _, e := range entries {
		if to, _ := os.Readlink("/proc/self/fd/" + e.Name()); to != s.Name() {
			continue
		}
		held++
		var fd uintptr
		for _, c := range e.Name() {
			fd = fd*10 + uintptr(c-'0')
		}
		if flags, _, errno := syscall.Syscall(syscall.SYS_FCNTL, fd, syscall.F_GETFD, 0); errno != 0 || flags&syscall.FD_CLOEXEC == 0 {
			t.Errorf("descriptor %d of the port is handed on", fd)
		}
	}
	if held < 2 {
		t.Errorf("found %d descriptors of the port, want ours and the test's", held)
	}
}

// What cannot be opened is said in words.
func TestErrorsSayWhatToDo(t *testing.T) {
	t.Parallel()
	missing := filepath.Join(t.TempDir(), "usb-0002")
	_, err := Open(missing, Mode{Baud: 9600})
	if want := "cannot open " + missing + ": there is no such port, is the adapter plugged in?"; err == nil || err.Error() != want {
		t.Errorf("got %v, want %s", err, want)
	}
	plain := filepath.Join(t.TempDir(), "usb-0003")
	if err := os.WriteFile(plain, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(plain, Mode{Baud: 9600, DataBits: 7, Parity: "odd", StopBits: 2}); err == nil {
		t.Error("a file was opened as a port")
	}
}

// A port that somebody has open is not opened again.
func TestBusyPort(t *testing.T) {
	t.Parallel()
	m, s, err := pty.Open()
	needtest.Need(t, "pseudo-terminals", err == nil)
	defer func() { _ = m.Close(); _ = s.Close() }()
	p, err := Open(s.Name(), Mode{Baud: 9600})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = p.Close() }()
	if os.Geteuid() == 0 {
		return // the lock does not bind root
	}
	_, err = Open(s.Name(), Mode{Baud: 9600})
	if want := "cannot open " + s.Name() + ": another program has it"; err == nil || err.Error() != want {
		t.Errorf("got %v, want %s", err, want)
	}
}
