package modbus

import (
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"

	"go.bug.st/serial"
)

// Wire is an open line of bytes: a serial port, or something that behaves like one. A Read
// that nothing came for within the timeout returns 0 and no error.
type Wire interface {
	Read(p []byte) (int, error)
	Write(p []byte) (int, error)
	SetReadTimeout(d time.Duration) error
	Close() error
}

// Mode is how a serial port is set.
type Mode struct {
	Baud     int
	Parity   string // none, even or odd
	StopBits int    // 1 or 2
}

// char is how long one character takes on the line: start bit, eight data bits, parity and
// stop bits.
func (m Mode) char() time.Duration {
	bits := 9 + max(m.StopBits, 1)
	if m.Parity == "even" || m.Parity == "odd" {
		bits++
	}
	return time.Duration(bits) * time.Second / time.Duration(max(m.Baud, 1))
}

// pause35 is the silence that parts two frames: 3.5 characters of 11 bits, and 1.75 ms
// above 19200 baud (MODBUS over Serial Line V1.02, 2.5.1.1).
func pause35(baud int) time.Duration {
	if baud > 19200 {
		return 1750 * time.Microsecond
	}
	return 77 * time.Second / time.Duration(2*max(baud, 1))
}

// openSerial opens a port for this process alone: not for the programs that it starts.
func openSerial(path string, m Mode) (Wire, error) {
	mode := &serial.Mode{BaudRate: m.Baud, DataBits: 8}
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
		return nil, portError(path, err)
	}
	keepFromChildren(path)
	return port, nil
}

// portError says in words what the library only numbers.
func portError(path string, err error) error {
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

// isPaced tells whether characters take their time on a port. They do not on a
// pseudo-terminal, nor on an adapter that is a whole device of its own and has no line.
func isPaced(path string) bool {
	real, err := filepath.EvalSymlinks(path)
	if err != nil {
		return false
	}
	return !strings.HasPrefix(real, "/dev/pts/") && !strings.Contains(filepath.Base(real), "ttyACM")
}

// netWire makes a TCP connection behave like a serial port.
type netWire struct {
	net.Conn
	wait time.Duration
}

// SetReadTimeout says how long the next Read waits.
func (w *netWire) SetReadTimeout(d time.Duration) error {
	w.wait = d
	return nil
}

// Read returns 0 and no error when nothing came in time.
func (w *netWire) Read(p []byte) (int, error) {
	// A deadline that has passed gives nothing, not even what has already come.
	if err := w.SetReadDeadline(time.Now().Add(max(w.wait, time.Millisecond))); err != nil {
		return 0, err
	}
	n, err := w.Conn.Read(p)
	if n > 0 || errors.Is(err, os.ErrDeadlineExceeded) {
		return n, nil
	}
	return n, err
}

// Write gives up after a while, since a peer that went away takes nothing.
func (w *netWire) Write(p []byte) (int, error) {
	if err := w.SetWriteDeadline(time.Now().Add(5 * time.Second)); err != nil {
		return 0, err
	}
	return w.Conn.Write(p)
}
