package needtest

import (
	"bufio"
	"encoding/csv"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// Need skips a test that lacks something; in CI it fails it.
func Need(t testing.TB, what string, there bool) {
	t.Helper()
	switch {
	case there:
	case os.Getenv("CI") == "true":
		t.Fatalf("needs %s, which CI must install", what)
	default:
		t.Skipf("skipped: needs %s", what)
	}
}

// Program is the path of a program that a test uses as its peer.
func Program(t testing.TB, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	Need(t, name, err == nil)
	return path
}

// Python is the path of Debian's Python where it can import all the modules. Debian's
// python3-pymodbus only recommends python3-serial-asyncio, without which it cannot start: so
// the import is tried, not looked for.
func Python(t testing.TB, modules ...string) string {
	t.Helper()
	const python = "/usr/bin/python3" // another one may stand first in PATH, without Debian's modules
	_, err := os.Stat(python)
	Need(t, python, err == nil)
	for _, m := range modules {
		out, err := exec.Command(python, "-c", "import "+m).CombinedOutput()
		lines := strings.Split(strings.TrimSpace(string(out)), "\n")
		Need(t, "Python's "+m+" ("+lines[len(lines)-1]+")", err == nil)
	}
	return python
}

// Data is the path of a file of measured data: in $EBBWATCH_DATA, else in ../shared/data
// beside the checkout.
func Data(t testing.TB, name string) string {
	t.Helper()
	dir := os.Getenv("EBBWATCH_DATA")
	if dir == "" {
		root, err := os.Getwd()
		if err != nil {
			t.Fatal(err)
		}
		for root != "/" {
			if _, err := os.Stat(filepath.Join(root, "go.mod")); err == nil {
				break
			}
			root = filepath.Dir(root)
		}
		dir = filepath.Join(root, "..", "shared", "data")
	}
	path := filepath.Join(dir, name)
	_, err := os.Stat(path)
	Need(t, path+" (set EBBWATCH_DATA)", err == nil)
	return path
}

// Rows are the lines of a CSV file of measured data, without its header and comments.
func Rows(t testing.TB, name string) [][]string {
	t.Helper()
	f, err := os.Open(Data(t, name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatalf("cannot read %s: %v", name, err)
	}
	return rows[1:]
}

// Peer starts a device that others wrote, for the length of the test, and waits until its first
// line says "ready"; it gives what else that line says, such as a port.
func Peer(t testing.TB, name string, args ...string) string {
	t.Helper()
	cmd := exec.Command(name, args...)
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	var stderr strings.Builder
	cmd.Stderr = &stderr
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = cmd.Process.Kill(); _ = cmd.Wait() })
	line, err := bufio.NewReader(out).ReadString('\n')
	rest, ready := strings.CutPrefix(strings.TrimSpace(line), "ready")
	if !ready {
		_ = cmd.Wait()
		t.Fatalf("the device did not start: %q, %v\n%s", line, err, stderr.String())
	}
	return strings.TrimSpace(rest)
}
