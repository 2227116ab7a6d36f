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

// Mode is how a serial port is set.
type Mode = serial.Mode

// pause35 is the silence that parts two frames: 3.5 characters of 11 bits, and 1.75 ms
// above 19200 baud (MODBUS over Serial Line V1.02, 2.5.1.1).
func pause35(baud int) time.Duration {
	if baud > 19200 {
		return 1750 * time.Microsecond
	}
	return 77 * time.Second / time.Duration(2*max(baud, 1))
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
