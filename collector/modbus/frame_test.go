package modbus

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"os"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"ebbwatch/collector"
	"ebbwatch/collector/serial"
)

// published reads the frames of testdata/frames/published.json: MODBUS Application Protocol
// V1.1b3 (2012), sections 6 and 7, with check sums recomputed.
func published(t testing.TB) (frames []struct {
	Name, Section, Request, Response string
	Values                           []uint16
}) {
	t.Helper()
	text, err := os.ReadFile("../../testdata/frames/published.json")
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(text, &frames); err != nil {
		t.Fatal(err)
	}
	return frames
}

// MODBUS over Serial Line V1.02, figure 30 (02 07 gives 1241, sent low byte first), the
// usual check string, and all published frames.
func TestCRCAgainstPublishedValues(t *testing.T) {
	t.Parallel()
	if got := serial.CRC16([]byte{0x02, 0x07}); got != 0x1241 {
		t.Errorf("02 07: got %04X, want 1241", got)
	}
	if got := serial.CRC16([]byte("123456789")); got != 0x4B37 {
		t.Errorf("123456789: got %04X, want 4B37", got)
	}
	for _, f := range published(t) {
		for _, text := range []string{f.Request, f.Response} {
			if b := unhex(t, text); !sound(b) {
				t.Errorf("%s: the check sum of %s is wrong", f.Name, text)
			}
		}
	}
}

// The published questions of functions 03 and 04 are what we say, to the byte, and the
// published answers are what we understand.
func TestPublishedExchanges(t *testing.T) {
	t.Parallel()
	asks := map[string]Ask{
		"11 03 00 6B 00 03 76 87": {Unit: 0x11, Table: Holding, Address: 0x6B, Count: 3},
		"11 04 00 08 00 01 B2 98": {Unit: 0x11, Table: Input, Address: 8, Count: 1},
		"01 03 00 6B 00 03 74 17": {Unit: 1, Table: Holding, Address: 0x6B, Count: 3},
		"01 04 00 08 00 01 B0 08": {Unit: 1, Table: Input, Address: 8, Count: 1},
	}
	used := 0
	for _, f := range published(t) {
		a, ours := asks[f.Request]
		if !ours {
			continue
		}
		used++
		synctest.Test(t, func(t *testing.T) {
			line := &fakeLine{answer: func([]byte) []said { return []said{{4 * time.Millisecond, unhex(t, f.Response)}} }}
			got, err := busOn(line).Ask(t.Context(), a)
			if want := unhex(t, f.Request); !bytes.Equal(line.asked[0], want) {
				t.Errorf("%s: said % X, want % X", f.Name, line.asked[0], want)
			}
			if strings.HasPrefix(f.Name, "exception") {
				var e *exceptionError
				if !errors.As(err, &e) || e.code != 2 || collector.KindOf(err) != collector.Exception {
					t.Errorf("%s: got %v, want exception 2", f.Name, err)
				}
				return
			}
			if err != nil || !slices.Equal(got.Regs, f.Values) {
				t.Errorf("%s: got %v, %v, want %v", f.Name, got.Regs, err, f.Values)
			}
		})
	}
	if used != 6 {
		t.Errorf("used %d published exchanges, want 6", used)
	}
}

// MODBUS over Serial Line V1.02, 2.5.1.1: characters of 11 bits; fixed above 19200.
func TestPauseBetweenFrames(t *testing.T) {
	t.Parallel()
	for baud, want := range map[int]float64{1200: 32.0833, 9600: 4.0104, 19200: 2.0052, 38400: 1.75, 115200: 1.75} {
		if got := pause35(baud).Seconds() * 1000; got < want-0.0001 || got > want+0.0001 {
			t.Errorf("%d baud: got %.4f ms, want %.4f", baud, got, want)
		}
	}
}

func TestInspectSortsWhatCame(t *testing.T) {
	t.Parallel()
	request := unhex(t, "11 03 00 6B 00 03 76 87")
	good := unhex(t, "11 03 06 02 2B 00 00 00 64 C8 BA")
	refusal := unhex(t, "11 83 02 C1 34")
	for _, tc := range []struct {
		name string
		got  []byte
		kind collector.ErrorKind // empty: it is the answer
		says string
	}{
		{"whole", good, "", ""},
		{"refusal", refusal, "", ""},
		{"after our own echo", slices.Concat(request, good), "", ""},
		{"after phantom bytes of an idle line", slices.Concat([]byte{0, 0xFF}, good), "", ""},
		{"one bit wrong", slices.Concat(good[:4], []byte{good[4] ^ 4}, good[5:]), collector.CRC, "check sum"},
		{"said twice", slices.Concat(good, good), collector.Foreign, "more follows"},
		{"a byte behind", slices.Concat(good, []byte{0}), collector.Foreign, "more follows"},
		{"another unit", seal(slices.Concat([]byte{0x12}, good[1:9])), collector.Foreign, "from unit 18"},
		{"another function", seal(slices.Concat([]byte{0x11, 4}, good[2:9])), collector.Foreign, "function 4"},
		{"another length", unhex(t, "11 03 02 00 0A F8 40"), collector.Foreign, "another question"},
		{"noise", unhex(t, "55 AA 55 AA 55 AA 55"), collector.CRC, "no answer"},
		{"much before it", slices.Concat(make([]byte, 9), good), collector.Foreign, "another question"},
	} {
		if tc.name == "another length" {
			tc.got = seal(tc.got[:5])
		}
		frame, need, err := inspect(request, tc.got)
		switch {
		case tc.kind == "" && (err != nil || frame == nil || !sound(frame)):
			t.Errorf("%s: got % X, need %d, %v", tc.name, frame, need, err)
		case tc.kind != "" && (collector.KindOf(err) != tc.kind || err == nil || !strings.Contains(err.Error(), tc.says)):
			t.Errorf("%s: got % X, %v, want %s: %s", tc.name, frame, err, tc.kind, tc.says)
		}
	}
}

// Byte for byte, an answer is wanted until it is whole, and never less than is missing.
func TestInspectAsksForWhatIsMissing(t *testing.T) {
	t.Parallel()
	request := unhex(t, "11 03 00 6B 00 03 76 87")
	for _, whole := range [][]byte{
		unhex(t, "11 03 06 02 2B 00 00 00 64 C8 BA"),
		unhex(t, "11 83 02 C1 34"),
		slices.Concat(request, unhex(t, "11 03 06 02 2B 00 00 00 64 C8 BA")),
		slices.Concat([]byte{0xFE}, unhex(t, "11 03 06 02 2B 00 00 00 64 C8 BA")),
	} {
		for n := range len(whole) {
			frame, need, err := inspect(request, whole[:n])
			if frame != nil || err != nil || need <= n || need > len(whole) {
				t.Errorf("%d of % X: got % X, need %d, %v", n, whole, frame, need, err)
			}
		}
	}
}

// Whatever comes: what is accepted has the right head and check sum, and is the end of what
// came.
func FuzzInspect(f *testing.F) {
	request := []byte{0x11, 3, 0, 0x6B, 0, 3, 0x76, 0x87}
	f.Add([]byte{0x11, 3, 6, 2, 0x2B, 0, 0, 0, 0x64, 0xC8, 0xBA})
	f.Add([]byte{0x11, 0x83, 2, 0xC1, 0x34})
	f.Add(slices.Concat(request, []byte{0x11, 0x83, 2, 0xC1, 0x34}))
	f.Add([]byte{0, 0, 0, 0x11, 3, 6})
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, got []byte) {
		frame, need, err := inspect(request, got)
		switch {
		case frame != nil:
			if err != nil || !bytes.HasSuffix(got, frame) || !sound(frame) || header(request, frame) != len(frame) {
				t.Errorf("accepted % X from % X (%v)", frame, got, err)
			}
		case err == nil && need <= len(got):
			t.Errorf("wants %d bytes, has % X", need, got)
		}
	})
}

// The time of a question is bounded: a context that ends is heeded.
func TestAskHeedsItsContext(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		line := &fakeLine{answer: func([]byte) []said { return nil }}
		ctx, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
		defer cancel()
		began := time.Now()
		_, err := busOn(line).Ask(ctx, Ask{Unit: 1, Table: Holding, Address: 0, Count: 1})
		if took := time.Since(began); collector.KindOf(err) != collector.Timeout || took > 500*time.Millisecond {
			t.Errorf("got %v after %s", err, took)
		}
	})
}
