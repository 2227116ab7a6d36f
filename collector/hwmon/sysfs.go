package hwmon

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"

	"ebbwatch/collector"
)

// What sensors say instead of a value.
var (
	errNotReady = errors.New("it is not ready")
	errOff      = errors.New("it is switched off")
	errFault    = errors.New("its sensor is broken or not connected")
)

// chip is one folder of a class.
type chip struct {
	dir    string
	name   string
	device string // last part of the device's path, such as 1-0040
	path   string // the whole of it
}

// is tells whether the chip sits at a device, given by the end of its path.
func (c chip) is(device string) bool {
	device = strings.Trim(device, "/")
	return c.device == device || strings.HasSuffix(c.path, "/"+device)
}

// list finds the chips of a class.
func list(root string, c class) ([]chip, error) {
	folder := filepath.Join(root, c.folder)
	entries, err := os.ReadDir(folder)
	if errors.Is(err, os.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("cannot list the chips: %w", err)
	}
	var chips []chip
	for _, e := range entries {
		if !strings.HasPrefix(e.Name(), c.prefix) {
			continue
		}
		if found, ok := look(filepath.Join(folder, e.Name())); ok {
			chips = append(chips, found)
		}
	}
	return chips, nil
}

// look reads who a chip is; older drivers keep the name with the device.
func look(dir string) (chip, bool) {
	name, err := readText(filepath.Join(dir, "name"))
	if err != nil {
		name, err = readText(filepath.Join(dir, "device", "name"))
	}
	if err != nil || name == "" {
		return chip{}, false
	}
	real, err := filepath.EvalSymlinks(dir)
	if err != nil {
		return chip{}, false
	}
	// A class folder names its device by a link; on a bus the device is the folder above.
	path := filepath.Dir(real)
	if d, err := filepath.EvalSymlinks(filepath.Join(dir, "device")); err == nil {
		path = d
	}
	return chip{dir: dir, name: name, device: filepath.Base(path), path: path}, true
}

// readText reads a file of sysfs with one bounded read. os.ReadFile would spin on a driver
// that answers EAGAIN, and wait for the poller to be told of a file that it cannot poll.
func readText(path string) (string, error) {
	fd, err := syscall.Open(path, syscall.O_RDONLY|syscall.O_NONBLOCK|syscall.O_CLOEXEC, 0)
	if err != nil {
		return "", sortOut(err)
	}
	defer syscall.Close(fd)
	var b [128]byte
	for range 5 { // a signal may interrupt, but not for ever
		n, err := syscall.Read(fd, b[:])
		if err == syscall.EINTR {
			continue
		}
		if err != nil {
			return "", sortOut(err)
		}
		return strings.TrimSpace(string(b[:max(n, 0)])), nil
	}
	return "", errNotReady
}

// sortOut puts the system's word into ours.
func sortOut(err error) error {
	switch {
	case errors.Is(err, syscall.EAGAIN), errors.Is(err, syscall.EBUSY), errors.Is(err, syscall.ETIMEDOUT):
		return fmt.Errorf("%w (%w)", errNotReady, err)
	case errors.Is(err, syscall.ENODATA):
		return fmt.Errorf("%w (%w)", errOff, err)
	}
	return err
}

func kindOf(err error) collector.ErrorKind {
	switch {
	case errors.Is(err, errNotReady):
		return collector.Timeout
	case errors.Is(err, errOff), errors.Is(err, errFault), errors.Is(err, strconv.ErrSyntax):
		return collector.Refused
	}
	return collector.Port
}

// readNumber reads a file that holds one number.
func readNumber(path string) (float64, error) {
	text, err := readText(path)
	if err != nil {
		return 0, err
	}
	return parseNumber(text)
}

// parseNumber reads a decimal number as the kernel prints it: no exponent, no infinity.
func parseNumber(text string) (float64, error) {
	plain := !strings.ContainsFunc(text, func(r rune) bool { return !strings.ContainsRune("+-.0123456789", r) })
	x, err := strconv.ParseFloat(text, 64)
	if !plain || err != nil || len(text) > 40 {
		return 0, fmt.Errorf("%q is no number: %w", text, strconv.ErrSyntax)
	}
	return x, nil
}

// split parts a channel's name: letters, number and the rest.
func split(name string) (letters, number, rest string) {
	i := strings.IndexAny(name, "0123456789")
	if i < 0 {
		return name, "", ""
	}
	j := i
	for j < len(name) && name[j] >= '0' && name[j] <= '9' {
		j++
	}
	return name[:i], name[i:j], name[j:]
}

func hwmonClass() class {
	return class{key: "hwmon", folder: "class/hwmon", prefix: "hwmon", example: "in1, curr1, power1 or temp1", kindOf: hwmonUnit, read: readHwmon}
}

// hwmonUnit accepts in0…, curr1…, power1… and temp1…, with _input or _average after power.
func hwmonUnit(channel string) (string, bool) {
	letters, number, rest := split(channel)
	unit, _ := hwmonScale(letters)
	switch {
	case unit == "" || number == "" || len(number) > 3:
		return "", false
	case rest == "", rest == "_input", rest == "_average" && letters == "power":
		return unit, true
	}
	return "", false
}

// hwmonScale is the ABI's: millivolts, milliamperes, microwatts, millidegrees.
func hwmonScale(letters string) (unit string, factor float64) {
	switch letters {
	case "in":
		return "V", 1e-3
	case "curr":
		return "A", 1e-3
	case "power":
		return "W", 1e-6
	case "temp":
		return "°C", 1e-3
	}
	return "", 0
}

func readHwmon(dir, channel string) (float64, error) {
	letters, number, rest := split(channel)
	base := filepath.Join(dir, letters+number)
	if fault, err := readText(base + "_fault"); err == nil && fault == "1" {
		return 0, errFault
	}
	if rest == "" {
		rest = "_input"
	}
	raw, err := readNumber(base + rest)
	if letters == "power" && channel == letters+number && errors.Is(err, os.ErrNotExist) {
		raw, err = readNumber(base + "_average")
	}
	_, factor := hwmonScale(letters)
	return raw * factor, err
}

func iioClass() class {
	return class{key: "iio", folder: "bus/iio/devices", prefix: "iio:device", example: "in_voltage0, in_current0, in_power0 or in_temp", kindOf: iioUnit, read: readIIO}
}

// iioUnit accepts in_voltage0, in_voltage0-voltage1, in_temp, in_temp_ambient and so on.
func iioUnit(channel string) (string, bool) {
	if strings.ContainsAny(channel, "/. ") || slices.ContainsFunc(endings(), func(e string) bool { return strings.HasSuffix(channel, e) }) {
		return "", false
	}
	letters, _, rest := split(channel)
	if _, second, differential := strings.Cut(rest, "-"); differential {
		kind, number, _ := split(second)
		if "in_"+kind != letters || number == "" {
			return "", false
		}
	}
	for kind, unit := range map[string]string{"in_voltage": "V", "in_current": "A", "in_power": "W", "in_temp": "°C"} {
		if letters == kind || strings.HasPrefix(letters, kind+"_") {
			return unit, true
		}
	}
	return "", false
}

func endings() []string { return []string{"_raw", "_input", "_scale", "_offset"} }

// readIIO gives (raw + offset)·scale, which the ABI has in millivolts, milliamperes,
// milliwatts or millidegrees, or the processed value where the driver gives one.
func readIIO(dir, channel string) (float64, error) {
	raw, err := readNumber(filepath.Join(dir, channel+"_raw"))
	if errors.Is(err, os.ErrNotExist) {
		x, err := readNumber(filepath.Join(dir, channel+"_input"))
		return x * 1e-3, err
	}
	if err != nil {
		return 0, err
	}
	scale, err := readShared(dir, channel, "_scale")
	if err != nil {
		return 0, fmt.Errorf("the driver gives no scale: %w", err)
	}
	offset, err := readShared(dir, channel, "_offset")
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		return 0, err
	}
	return (raw + offset) * scale * 1e-3, nil
}

// readShared reads a file of the channel, or the one that it shares with all of its type:
// in_voltage0_scale, or in_voltage_scale; in_voltage0-voltage1_scale, or
// in_voltage-voltage_scale. Zero comes with an error where there is none.
func readShared(dir, channel, ending string) (float64, error) {
	letters, _, rest := split(channel)
	names := []string{channel, letters}
	if _, second, differential := strings.Cut(rest, "-"); differential {
		kind, _, _ := split(second)
		names = []string{channel, letters + "-" + kind, letters}
	} else if part := strings.SplitN(letters, "_", 3); len(part) == 3 {
		names = append(names, part[0]+"_"+part[1])
	}
	err := error(nil)
	for _, name := range names {
		var x float64
		if x, err = readNumber(filepath.Join(dir, name+ending)); !errors.Is(err, os.ErrNotExist) {
			return x, err
		}
	}
	return 0, err
}
