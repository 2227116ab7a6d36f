package survey

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// tree lays out files (with content) and links ("-> target") below a root.
func tree(t *testing.T, entries map[string]string) string {
	t.Helper()
	root := t.TempDir()
	for name, content := range entries {
		path := filepath.Join(root, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		var err error
		if to, link := strings.CutPrefix(content, "-> "); link {
			err = os.Symlink(to, path)
		} else {
			err = os.WriteFile(path, []byte(content), 0o644)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	return root
}

func TestPortsAreListedByTheirLastingNames(t *testing.T) {
	t.Parallel()
	root := tree(t, map[string]string{
		"sys/class/tty/console/active":                     "tty0 ttyS1\n",
		"sys/class/tty/tty0/dev":                           "4:0",
		"sys/class/tty/ttyS0/type":                         "0\n",
		"sys/class/tty/ttyS0/device/uevent":                "",
		"sys/class/tty/ttyS1/type":                         "4\n",
		"sys/class/tty/ttyS1/device/uevent":                "",
		"sys/class/tty/ttyUSB0/device":                     "-> ../../../devices/usb1/1-1/1-1:1.0/ttyUSB0",
		"sys/devices/usb1/1-1/1-1:1.0/ttyUSB0/port_number": "0",
		"sys/devices/usb1/1-1/product":                     "Serial adapter\n",
		"sys/devices/usb1/1-1/manufacturer":                "Workshop\n",
		"sys/class/tty/ttyUSB1/device/uevent":              "",
		"sys/class/tty/ttyAMA0/device/uevent":              "",
		"dev/serial/by-id/usb-0001":                        "-> ../../ttyUSB0",
		"dev/serial/by-path/platform-1":                    "-> ../../ttyUSB1",
		"proc/42/comm":                                     "logger\n",
		"proc/42/fd/5":                                     "-> /dev/ttyAMA0",
	})
	ports, err := Ports(root)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, p := range ports {
		got = append(got, p.String())
	}
	want := []string{
		"/dev/serial/by-id/usb-0001 (now ttyUSB0), Workshop Serial adapter",
		"/dev/serial/by-path/platform-1 (now ttyUSB1)",
		"/dev/ttyAMA0, in use by logger (process 42)",
		"/dev/ttyS1, carries the system's console",
	}
	if strings.Join(got, "\n") != strings.Join(want, "\n") {
		t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}

func TestPortsWithoutAny(t *testing.T) {
	t.Parallel()
	root := tree(t, map[string]string{"sys/class/tty/tty0/dev": "4:0"})
	if ports, err := Ports(root); err != nil || len(ports) != 0 {
		t.Errorf("%v, %v", ports, err)
	}
	s := &Survey{Talk: &script{}}
	_, err := s.choosePort(root)
	if err == nil || !strings.HasPrefix(err.Error(), "cannot find a serial port") {
		t.Errorf("got %v", err)
	}
	if _, err := Ports(t.TempDir()); err == nil || !strings.HasPrefix(err.Error(), "cannot list the serial ports: ") {
		t.Errorf("got %v", err)
	}
}

func TestThePortIsTheOwnersChoice(t *testing.T) {
	t.Parallel()
	root := tree(t, map[string]string{"sys/class/tty/ttyUSB0/device/uevent": "", "sys/class/tty/ttyUSB1/device/uevent": ""})
	for answer, want := range map[string]string{"2": "/dev/ttyUSB1", " 1 ": "/dev/ttyUSB0"} {
		s := &Survey{Talk: &script{answers: []func() string{say(answer)}}}
		if got, err := s.choosePort(root); err != nil || got != want {
			t.Errorf("%q: %s, %v", answer, got, err)
		}
	}
	s := &Survey{Talk: &script{answers: []func() string{say("3")}}}
	if _, err := s.choosePort(root); err == nil || err.Error() != `cannot use "3": it must be a number from 1 to 2` {
		t.Errorf("got %v", err)
	}
}
