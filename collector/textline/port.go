package textline

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"syscall"
	"time"

	"go.bug.st/serial"
)

// port is an open serial port. A Read that nothing came for within the timeout gives 0 and
// no error.
type port interface {
	Read(p []byte) (int, error)
	SetReadTimeout(d time.Duration) error
	ResetInputBuffer() error
	Close() error
}

// openPort opens the port of a configuration, for reading alone.
func openPort(c Config) (port, error) {
	mode := &serial.Mode{BaudRate: c.Baud, DataBits: c.DataBits}
	switch c.Parity {
	case "even":
		mode.Parity = serial.EvenParity
	case "odd":
		mode.Parity = serial.OddParity
	}
	if c.StopBits == 2 {
		mode.StopBits = serial.TwoStopBits
	}
	p, err := serial.Open(c.Port, mode)
	if err != nil {
		return nil, inWords(c.Port, err)
	}
	keepFromChildren(c.Port)
	return p, nil
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

// keepFromChildren marks the descriptors of the port so that programs started later do not
// hold it open; the library does neither that nor tell the number.
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
