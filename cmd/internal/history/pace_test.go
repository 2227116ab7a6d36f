package history_test

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"ebbwatch/cmd/internal/history"
)

// While all is well samples wait twice as long; while power is spared they lie three times as
// far apart and wait three times as long; afterwards all is as before, beginning with what has
// waited for too long by then.
func TestPaces(t *testing.T) { testPaces(t, false) }

// Where somebody waits for what is written, it waits half as long again because all is well.
func TestPacesWherePromptnessCounts(t *testing.T) { testPaces(t, true) }

func testPaces(t *testing.T, prompt bool) {
	t.Helper()
	t.Parallel()
	path := filepath.Join(t.TempDir(), "history.db")
	s := open(t, history.Options{Path: path, Prompt: prompt})
	writes := func(from, to time.Duration) (n int) {
		var was time.Time
		for m := from; m < to; m += 10 * time.Second {
			fill(s, m, m+10*time.Second, 10*time.Second, true)
			lookup(t, s, history.Query{From: begin(), To: begin().Add(time.Second), Points: 1}) // it has taken the sample
			info, err := os.Stat(path + "-wal")
			if err == nil && info.ModTime() != was {
				was, n = info.ModTime(), n+1
			}
		}
		return n
	}
	for hour, c := range []struct {
		pace        history.Pace
		least, most int
	}{{history.Usual, 11, 14}, {history.Calm, 5, 8}, {history.Usual, 11, 15}, {history.Sparing, 3, 6}, {history.Usual, 11, 15}} {
		s.SetPace(c.pace)
		from := time.Duration(hour) * time.Hour
		if prompt && c.pace == history.Calm {
			c.least, c.most = 7, 10
		}
		if n := writes(from, from+time.Hour); n < c.least || n > c.most {
			t.Errorf("hour %d: the card was written %d times, want %d to %d", hour, n, c.least, c.most)
		}
	}
	for hour, want := range []int{360, 360, 360, 120, 360} {
		from := begin().Add(time.Duration(hour) * time.Hour)
		got := lookup(t, s, history.Query{From: from, To: from.Add(time.Hour - time.Second), Points: 400})
		if n := len(got.Times); n < want-2 || n > want+2 {
			t.Errorf("hour %d: %d samples, want about %d", hour, n, want)
		}
	}
	if prompt {
		return
	}
	s.SetPace(history.Calm)
	writes(5*time.Hour, 5*time.Hour+9*time.Minute)
	s.SetPace(history.Usual)
	if n := writes(5*time.Hour+9*time.Minute, 5*time.Hour+9*time.Minute+10*time.Second); n != 1 {
		t.Errorf("what had waited for 9 minutes was written %d times at once, want once", n)
	}
}
