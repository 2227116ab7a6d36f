package sim

import (
	"fmt"
	"os"

	"github.com/creack/pty"
	"golang.org/x/sys/unix"
)

// OpenLine makes a serial line out of a pseudo terminal: the device's end, and the path that
// somebody else opens as a serial port. The path lives until the end is closed.
func OpenLine() (*Line, error) {
	device, port, err := pty.Open()
	if err != nil {
		return nil, fmt.Errorf("cannot make a pseudo terminal: %w", err)
	}
	if err := raw(port); err != nil {
		device.Close()
		port.Close()
		return nil, fmt.Errorf("cannot make %s a plain line: %w", port.Name(), err)
	}
	file, err := pollable(device)
	if err != nil {
		port.Close()
		return nil, fmt.Errorf("cannot make %s a plain line: %w", port.Name(), err)
	}
	return &Line{File: file, Path: port.Name(), keep: port}, nil
}

// pollable takes a file over as one whose Read ends when it is closed: that of a pseudo
// terminal waits for ever otherwise.
func pollable(f *os.File) (*os.File, error) {
	defer f.Close()
	fd, err := unix.Dup(int(f.Fd()))
	if err != nil {
		return nil, err
	}
	unix.CloseOnExec(fd)
	if err := unix.SetNonblock(fd, true); err != nil {
		unix.Close(fd)
		return nil, err
	}
	return os.NewFile(uintptr(fd), f.Name()), nil
}

// raw stops the terminal from echoing and from changing bytes.
func raw(f *os.File) error {
	conn, err := f.SyscallConn()
	if err != nil {
		return err
	}
	var failed error
	err = conn.Control(func(fd uintptr) {
		t, err := unix.IoctlGetTermios(int(fd), unix.TCGETS)
		if err != nil {
			failed = err
			return
		}
		t.Iflag, t.Oflag, t.Lflag = 0, 0, 0
		t.Cflag = t.Cflag&^(unix.CSIZE|unix.PARENB) | unix.CS8 | unix.CREAD | unix.CLOCAL
		failed = unix.IoctlSetTermios(int(fd), unix.TCSETS, t)
	})
	if err != nil {
		return err
	}
	return failed
}
