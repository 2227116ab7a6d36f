package serial

import (
	"cmp"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"syscall"
	"time"

	"go.bug.st/serial"
)

// Wire is an open line of bytes: a serial port, or something that behaves like one. A Read that
// nothing came for within the timeout returns 0 and no error. One goroutine owns a wire, and
// nobody writes to it after it was closed.
type Wire interface {
	Read(p []byte) (int, error)
	Write(p []byte) (int, error)
	SetReadTimeout(d time.Duration) error
	Close() error
}

// Port is an open serial port.
type Port interface {
	Wire
	ResetInputBuffer() error
}

// Mode is how a port is set.
type Mode struct {
	Baud     int
	DataBits int    // 7 or 8; 0 is 8
	Parity   string // none, even or odd; empty is none
	StopBits int    // 1 or 2; 0 is 1
}

// Char is how long one character takes on the line: start bit, data bits, parity and stop bits.
func (m Mode) Char() time.Duration {
	bits := 1 + cmp.Or(m.DataBits, 8) + cmp.Or(m.StopBits, 1)
	if m.Parity == "even" || m.Parity == "odd" {
		bits++
	}
	return time.Duration(bits) * time.Second / time.Duration(max(m.Baud, 1))
}

// Open opens a port for this process alone: not for the programs that it starts.
func Open(path string, m Mode) (Port, error) {
	mode := &serial.Mode{BaudRate: m.Baud, DataBits: cmp.Or(m.DataBits, 8)}
	switch m.Parity {
	case "even":
		mode.Parity = serial.EvenParity
	case "odd":
		mode.Parity = serial.OddParity
	}
	if m.StopBits == 2 {
		mode.StopBits = serial.TwoStopBits
	}
	port, err := serial.Open(path, mode)
	if err != nil {
		return nil, inWords(path, err)
	}
	keepFromChildren(path)
	return port, nil
}

// inWords says what the library only numbers.
func inWords(path string, err error) error {
	if _, e := os.Stat(path); errors.Is(e, os.ErrNotExist) {
		return fmt.Errorf("cannot open %s: there is no such port, is the adapter plugged in?", path)
	}
	var pe *serial.PortError
	if errors.As(err, &pe) {
		switch pe.Code() {
		case serial.PermissionDenied:
			return fmt.Errorf("cannot open %s: permission denied, the user of this program needs the group of the port (often dialout)", path)
		case serial.PortBusy:
			return fmt.Errorf("cannot open %s: another program has it", path)
		}
	}
	return fmt.Errorf("cannot open %s: %w", path, err)
}

// keepFromChildren marks the port's descriptor so that programs started later do not hold
// it open after we have closed it. The library does not, and does not give the number.
func keepFromChildren(path string) {
	real, err := filepath.EvalSymlinks(path)
	if err != nil {
		return
	}
	entries, _ := os.ReadDir("/proc/self/fd") // elsewhere than on Linux there is none
	for _, e := range entries {
		if to, err := os.Readlink("/proc/self/fd/" + e.Name()); err == nil && to == real {
			if fd, err := strconv.Atoi(e.Name()); err == nil {
				syscall.CloseOnExec(fd)
			}
		}
	}
}
