package sim

import (
	"testing"
	"time"
)

// Closing the line ends a read that waits, or Ctrl-C would not end the demonstration.
func TestCloseEndsARead(t *testing.T) {
	t.Parallel()
	line, err := OpenLine()
	if err != nil {
		t.Skipf("skipped: needs pseudo terminals: %v", err)
	}
	ended := make(chan error, 1)
	go func() {
		_, err := line.Read(make([]byte, 1))
		ended <- err
	}()
	if err := line.Close(); err != nil {
		t.Error(err)
	}
	select {
	case err := <-ended:
		if err == nil {
			t.Error("a read of a closed line gave something")
		}
	case <-time.After(10 * time.Second):
		t.Error("the read still waits")
	}
}
