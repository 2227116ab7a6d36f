package wiretest_test

import (
	"bytes"
	"io"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"ebbwatch/collector/wiretest"
)

const recording = `# a question and its answer
> 01 03 00 10 00 01 85 CF
. 12ms
< 01 03 02 05
< 04 BA D7

. 250ms
`

func TestParse(t *testing.T) {
	t.Parallel()
	steps, err := wiretest.Parse(strings.NewReader(recording))
	if err != nil || len(steps) != 5 || steps[1].For != 12*time.Millisecond || steps[3].Direction != wiretest.Heard {
		t.Errorf("got %v, %v", steps, err)
	}
	for text, says := range map[string]string{
		"> 01\n01 02":      `line 2 of the recording: it begins with '0' instead of > or < or a point`,
		"> 0x":             "line 1 of the recording: encoding/hex: invalid byte",
		"<":                "no bytes",
		". soon":           "invalid duration",
		". -3s":            "a silence of -3s",
		"# x\n\n< 01 02 3": "line 3 of the recording: encoding/hex: odd length",
	} {
		if _, err := wiretest.Parse(strings.NewReader(text)); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%q: got %v, want %s", text, err, says)
		}
	}
}

// play parses and starts a recording.
func play(t *testing.T, text string) *wiretest.Playback {
	t.Helper()
	steps, err := wiretest.Parse(strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	return wiretest.NewPlayback(steps)
}

func TestPlayback(t *testing.T) {
	t.Parallel()
	question := []byte{1, 3, 0, 0x10, 0, 1, 0x85, 0xCF}
	synctest.Test(t, func(t *testing.T) {
		p := play(t, recording)
		if n, err := p.Write(question); n != 8 || err != nil {
			t.Fatal(n, err)
		}
		buf := make([]byte, 16)
		_ = p.SetReadTimeout(5 * time.Millisecond)
		began := time.Now()
		if n, err := p.Read(buf); n != 0 || err != nil || time.Since(began) != 5*time.Millisecond {
			t.Errorf("too early: got %d, %v after %s", n, err, time.Since(began))
		}
		_ = p.SetReadTimeout(time.Second)
		n, err := p.Read(buf[:3])
		m, err2 := p.Read(buf[3:])
		if n != 3 || m != 1 || err != nil || err2 != nil || time.Since(began) != 12*time.Millisecond {
			t.Errorf("got %d and %d bytes after %s, %v, %v", n, m, time.Since(began), err, err2)
		}
		if err := p.Close(); err == nil || !strings.Contains(err.Error(), "not used up: step 4 of 5 is < 04 BA D7") {
			t.Errorf("closed too early: got %v", err)
		}
		if n, err := p.Read(buf); n != 3 || err != nil {
			t.Errorf("got %d, %v", n, err)
		}
		if err := p.Close(); err != nil {
			t.Error(err)
		}
		if _, err := p.Write(question); err == nil || !strings.Contains(err.Error(), "is the end, but 01 03") {
			t.Errorf("after the end: got %v", err)
		}
	})
	synctest.Test(t, func(t *testing.T) {
		p := play(t, recording)
		if _, err := p.Write([]byte{2}); err == nil || !strings.Contains(err.Error(), "step 1 of the recording is > 01 03 00 10 00 01 85 CF, but 02 was said") {
			t.Errorf("got %v", err)
		}
		if _, err := p.Read(make([]byte, 4)); err == nil {
			t.Error("goes on after a wrong word")
		}
		if err := p.Close(); err == nil {
			t.Error("forgets a wrong word")
		}
	})
}

// What was recorded plays back.
func TestRecordThenPlay(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		var out bytes.Buffer
		r := wiretest.Record(play(t, recording), &out)
		_ = r.SetReadTimeout(time.Second)
		buf := make([]byte, 16)
		if _, err := r.Write([]byte{1, 3, 0, 0x10, 0, 1, 0x85, 0xCF}); err != nil {
			t.Fatal(err)
		}
		for range 2 {
			if _, err := r.Read(buf); err != nil {
				t.Fatal(err)
			}
		}
		if err := r.Close(); err != nil {
			t.Fatal(err)
		}
		again, err := wiretest.Parse(&out)
		if err != nil || len(again) != 3 || !slices.Equal(again[2].Bytes, []byte{4, 0xBA, 0xD7}) {
			t.Errorf("got %v, %v", again, err)
		}
	})
	r := wiretest.Record(play(t, "> 01\n. 1h"), brokenFile{})
	if _, err := r.Write([]byte{1}); err != nil {
		t.Error(err)
	}
	if err := r.Close(); err == nil || !strings.Contains(err.Error(), "cannot write the recording") {
		t.Errorf("got %v", err)
	}
}

type brokenFile struct{}

func (brokenFile) Write([]byte) (int, error) { return 0, io.ErrShortWrite }

// What is written down is read as the same again.
func FuzzParse(f *testing.F) {
	f.Add(recording)
	f.Add("> \n. -1s")
	f.Fuzz(func(t *testing.T, text string) {
		steps, err := wiretest.Parse(strings.NewReader(text))
		if err != nil {
			return
		}
		var out strings.Builder
		for _, s := range steps {
			out.WriteString(s.String() + "\n")
		}
		again, err := wiretest.Parse(strings.NewReader(out.String()))
		if err != nil || !slices.EqualFunc(steps, again, func(a, b wiretest.Step) bool {
			return a.Direction == b.Direction && a.For == b.For && bytes.Equal(a.Bytes, b.Bytes)
		}) {
			t.Errorf("%q was read as %v, then as %v (%v)", text, steps, again, err)
		}
	})
}
