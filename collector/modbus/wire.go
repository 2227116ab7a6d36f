package modbus

import (
	"errors"
	"net"
	"os"
	"path/filepath"
	"strings"
	"time"

	"ebbwatch/collector/serial"
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

// openSerial opens a port in a mode.
func openSerial(path string, m Mode) (Wire, error) {
	port, err := serial.Open(path, serial.Mode{Baud: m.Baud, Parity: m.Parity, StopBits: m.StopBits})
	if err != nil {
		return nil, err
	}
	return port, nil
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
