package modbus

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"github.com/creack/pty"

	"ebbwatch/collector/wiretest"
)

// A program that we start must not hold the port open.
func TestPortIsNotHandedToChildren(t *testing.T) {
	t.Parallel()
	m, s, err := pty.Open()
	need(t, "pseudo-terminals", err == nil)
	defer func() { _ = m.Close(); _ = s.Close() }()
	link := filepath.Join(t.TempDir(), "usb-0001")
	if err := os.Symlink(s.Name(), link); err != nil {
		t.Fatal(err)
	}
	w, err := openSerial(link, Mode{Baud: 19200, Parity: "even", StopBits: 1})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = w.Close() }()
	entries, err := os.ReadDir("/proc/self/fd")
	need(t, "/proc", err == nil)
	held := 0
	for _, e := range entries {
		if to, _ := os.Readlink("/proc/self/fd/" + e.Name()); to != s.Name() {
			continue
		}
		held++
		var fd uintptr
		for _, c := range e.Name() {
			fd = fd*10 + uintptr(c-'0')
		}
		if flags, _, errno := syscall.Syscall(syscall.SYS_FCNTL, fd, syscall.F_GETFD, 0); errno != 0 || flags&syscall.FD_CLOEXEC == 0 {
			t.Errorf("descriptor %d of the port is handed on", fd)
		}
	}
	if held < 2 {
		t.Errorf("found %d descriptors of the port, want ours and the test's", held)
	}
}

func TestCharactersTakeTheirTime(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		mode Mode
		want time.Duration
	}{
		{Mode{9600, "none", 1}, 1041666 * time.Nanosecond},
		{Mode{19200, "even", 1}, 572916 * time.Nanosecond}, // 11 bits
		{Mode{9600, "none", 2}, 1145833 * time.Nanosecond},
	} {
		if got := tc.mode.char(); got != tc.want {
			t.Errorf("%+v: got %s, want %s", tc.mode, got, tc.want)
		}
	}
	if isPaced("/dev/ptmx/none") || isPaced("/dev/pts/0") {
		t.Error("a terminal that is none takes time")
	}
}

// Recordings of real lines in testdata/frames give what stands in their first line, and are
// used up.
func TestRecordings(t *testing.T) {
	t.Parallel()
	const dir = "../../testdata/frames"
	for name, tc := range map[string]struct {
		want []string
		says string
	}{
		"boathouse-poll.wire":   {[]string{"battery_amps 2", "battery_volts 12.84"}, ""},
		"slipway-late.wire":     {[]string{"battery_amps 2", "battery_volts 12.84"}, ""},
		"island-exception.wire": {nil, "exception 2, no such register"},
	} {
		synctest.Test(t, func(t *testing.T) {
			f, err := os.Open(filepath.Join(dir, name))
			if err != nil {
				t.Fatal(err)
			}
			defer func() { _ = f.Close() }()
			steps, err := wiretest.Parse(f)
			if err != nil {
				t.Fatal(err)
			}
			play := wiretest.NewPlayback(steps)
			src := sourceOn(t, nil, `registers: [{quantity: battery_volts, address: 16, scale: 0.01}, {quantity: battery_amps, address: 17, type: s16, scale: -0.01}]`)
			b := src.bus
			b.dial = func(context.Context) (link, error) { return b.rtuOn(play, 50*ms), nil }
			got, err := src.Read(t.Context())
			if name == "slipway-late.wire" { // the first poll has no answer in time
				if err == nil || len(got) > 0 {
					t.Errorf("%s: got %v, %v", name, got, err)
				}
				time.Sleep(5 * time.Second)
				got, err = src.Read(t.Context())
			}
			if tc.says == "" && err != nil || tc.says != "" && (err == nil || !strings.Contains(err.Error(), tc.says)) {
				t.Errorf("%s: got %v, want %q", name, err, tc.says)
			}
			if q := quantities(got); strings.Join(q, ",") != strings.Join(tc.want, ",") {
				t.Errorf("%s: got %v, want %v", name, q, tc.want)
			}
			if err := play.Close(); err != nil {
				t.Errorf("%s: %v", name, err)
			}
		})
	}
}
