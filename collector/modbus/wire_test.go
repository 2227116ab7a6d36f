package modbus

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"ebbwatch/collector/wiretest"
)

func TestCharactersTakeTheirTime(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		mode Mode
		want time.Duration
	}{
		{Mode{Baud: 9600, Parity: "none", StopBits: 1}, 1041666 * time.Nanosecond},
		{Mode{Baud: 19200, Parity: "even", StopBits: 1}, 572916 * time.Nanosecond}, // 11 bits
		{Mode{Baud: 9600, Parity: "none", StopBits: 2}, 1145833 * time.Nanosecond},
	} {
		if got := tc.mode.Char(); got != tc.want {
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
