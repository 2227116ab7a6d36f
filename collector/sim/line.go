package sim

import (
	"errors"
	"os"
)

// Line is a serial line made of a pseudo terminal: reads and writes are the device's.
type Line struct {
	*os.File
	Path string   // what the other side opens
	keep *os.File // held open, so that the line stays when the other side closes it
}

// Close takes the line away.
func (l *Line) Close() error { return errors.Join(l.File.Close(), l.keep.Close()) }
