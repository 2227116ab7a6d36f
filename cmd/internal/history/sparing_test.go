package history_test

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"ebbwatch/cmd/internal/history"
)

// While power is spared samples lie three times as far apart and wait three times as long,
// and afterwards all is as before.
func TestSparing(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "history.db")
	s := open(t, history.Options{Path: path})
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
	usual := writes(0, time.Hour)
	s.Spare(true)
	spared := writes(time.Hour, 2*time.Hour)
	s.Spare(false)
	after := writes(2*time.Hour, 3*time.Hour)
	if usual < 11 || usual > 14 || spared < 3 || spared > 6 || after < 11 || after > 15 {
		t.Errorf("the card was written %d, %d, %d times an hour; want about 12, 4, 12", usual, spared, after)
	}
	for hour, want := range []int{360, 120, 360} {
		from := begin().Add(time.Duration(hour) * time.Hour)
		got := lookup(t, s, history.Query{From: from, To: from.Add(time.Hour - time.Second), Points: 400})
		if n := len(got.Times); n < want-2 || n > want+2 {
			t.Errorf("hour %d: %d samples, want about %d", hour, n, want)
		}
	}
}
