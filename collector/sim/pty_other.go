//go:build !linux

package sim

import (
	"errors"
	"fmt"
)

// OpenLine is for Linux only.
func OpenLine() (*Line, error) {
	return nil, fmt.Errorf("cannot make a pseudo terminal: %w", errors.ErrUnsupported)
}
