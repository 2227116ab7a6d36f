// Package needtest is what tests of the collectors do about something from outside the project
// that is not there: a program, a device, a right.
package needtest

import (
	"os"
	"testing"
)

// Need skips a test that lacks something; where everything has to be there, it fails.
func Need(t testing.TB, what string, there bool) {
	t.Helper()
	switch {
	case there:
	case os.Getenv("CI") == "true":
		t.Fatalf("needs %s", what)
	default:
		t.Skipf("skipped: needs %s", what)
	}
}
