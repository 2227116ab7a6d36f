package textline

import (
	"time"

	"ebbwatch/collector/serial"
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
	return serial.Open(c.Port, serial.Mode{Baud: c.Baud, DataBits: c.DataBits, Parity: c.Parity, StopBits: c.StopBits})
}
