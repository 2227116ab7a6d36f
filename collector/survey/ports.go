package survey

import (
	"cmp"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// Port is one serial port, with what the system knows of it.
type Port struct {
	Path    string // the name to use: one that stays when ports are numbered anew
	Device  string // the present name, such as ttyUSB0
	What    string // what the adapter says it is
	Busy    string // the program that has it open, if that could be seen
	Console bool   // the system's own messages go there
}

// String is one line for people.
func (p Port) String() string {
	out := p.Path
	if filepath.Base(p.Path) != p.Device {
		out += " (now " + p.Device + ")"
	}
	if p.What != "" {
		out += ", " + p.What
	}
	if p.Busy != "" {
		out += ", in use by " + p.Busy
	}
	if p.Console {
		out += ", carries the system's console"
	}
	return out
}

// Ports lists the serial ports, adapters first. It reads sysfs and /dev/serial only, and
// opens no port: opening one would reprogram what others are using. root is the root of the
// file system, "" for the real one.
func Ports(root string) ([]Port, error) {
	root = cmp.Or(root, "/")
	class := filepath.Join(root, "sys/class/tty")
	entries, err := os.ReadDir(class)
	if err != nil {
		return nil, fmt.Errorf("cannot list the serial ports: %w", err)
	}
	byID, byPath := links(root, "by-id"), links(root, "by-path")
	users := holders(root)
	consoles := strings.Fields(line(filepath.Join(class, "console/active")))
	var out []Port
	for _, e := range entries {
		name := e.Name()
		device := filepath.Join(class, name, "device")
		if _, err := os.Stat(device); err != nil {
			continue // a virtual terminal
		}
		if kind := line(filepath.Join(class, name, "type")); kind == "0" {
			continue // a slot of the driver with no chip behind it
		}
		dev := "/dev/" + name
		p := Port{Device: name, Path: cmp.Or(byID[dev], byPath[dev], dev), What: maker(device), Busy: users[dev]}
		p.Console = slices.Contains(consoles, name)
		out = append(out, p)
	}
	slices.SortStableFunc(out, func(a, b Port) int {
		return cmp.Or(cmp.Compare(a.rank(), b.rank()), cmp.Compare(a.Device, b.Device))
	})
	return out, nil
}

// rank puts first what is most likely meant.
func (p Port) rank() int {
	switch {
	case p.Console:
		return 4
	case p.Busy != "":
		return 3
	case strings.HasPrefix(p.Path, "/dev/serial/by-id/"):
		return 0
	case strings.HasPrefix(p.Path, "/dev/serial/"):
		return 1
	}
	return 2
}

// links maps a device to its lasting name in one of the folders of /dev/serial.
func links(root, folder string) map[string]string {
	out := map[string]string{}
	entries, _ := os.ReadDir(filepath.Join(root, "dev/serial", folder)) // no adapter, no folder
	for _, e := range entries {
		name := filepath.Join("/dev/serial", folder, e.Name())
		if to, err := os.Readlink(filepath.Join(root, name)); err == nil {
			if !filepath.IsAbs(to) {
				to = filepath.Join(filepath.Dir(name), to)
			}
			out[to] = name
		}
	}
	return out
}

// maker walks up from the device to the adapter that names itself.
func maker(device string) string {
	at, err := filepath.EvalSymlinks(device)
	if err != nil {
		return ""
	}
	for range 5 {
		if product := line(filepath.Join(at, "product")); product != "" {
			return strings.TrimSpace(line(filepath.Join(at, "manufacturer")) + " " + product)
		}
		at = filepath.Dir(at)
	}
	return ""
}

// holders maps a device to a program that has it open, as far as this user may see.
func holders(root string) map[string]string {
	out := map[string]string{}
	fds, _ := filepath.Glob(filepath.Join(root, "proc/[0-9]*/fd/*")) // the pattern is well formed
	for _, fd := range fds {
		to, err := os.Readlink(fd)
		if err != nil || !strings.HasPrefix(to, "/dev/tty") {
			continue
		}
		process := filepath.Dir(filepath.Dir(fd))
		out[to] = fmt.Sprintf("%s (process %s)", line(filepath.Join(process, "comm")), filepath.Base(process))
	}
	return out
}

// line is the first line of a small file, empty when there is none.
func line(path string) string {
	data, err := os.ReadFile(path)
	if err != nil {
		return ""
	}
	first, _, _ := strings.Cut(string(data), "\n")
	return strings.TrimSpace(first)
}
