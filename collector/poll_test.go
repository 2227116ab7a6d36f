package collector_test

import (
	"context"
	"slices"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"ebbwatch/collector"
	"ebbwatch/collector/reading"
)

type nothing struct{}

func (nothing) Read(context.Context) ([]reading.Value, error) { return nil, nil }

// The period is asked for before each poll: longer for an hour, and then as it was.
func TestPollAsTold(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		began := time.Now()
		var period atomic.Int64
		period.Store(int64(10 * time.Second))
		var polls [3]int
		ctx, cancel := context.WithTimeout(t.Context(), 3*time.Hour)
		defer cancel()
		collector.PollAsTold(ctx, "charger", func() time.Duration { return time.Duration(period.Load()) }, nothing{},
			func() reading.Stamp { return reading.Stamp{} },
			func(collector.Report) {
				hour := int(time.Since(began).Hours())
				polls[hour]++
				period.Store(int64([3]time.Duration{10 * time.Second, 30 * time.Second, 10 * time.Second}[hour]))
			})
		for hour, want := range [3]int{360, 120, 360} {
			if got := polls[hour]; got < want-2 || got > want+2 {
				t.Errorf("hour %d: %d polls, want about %d", hour, got, want)
			}
		}
	})
}

// The first poll comes at once, those that follow a period apart, at a place of the period
// that is the name's own and the same after a restart.
func TestTheFirstPollIsAtOnce(t *testing.T) {
	t.Parallel()
	seconds := func(name string) (at []time.Duration) {
		synctest.Test(t, func(t *testing.T) {
			began := time.Now()
			ctx, cancel := context.WithTimeout(t.Context(), 35*time.Second)
			defer cancel()
			collector.Poll(ctx, name, 10*time.Second, nothing{}, func() reading.Stamp { return reading.Stamp{} },
				func(collector.Report) { at = append(at, time.Since(began)) })
		})
		return at
	}
	places := map[time.Duration]bool{}
	for _, name := range []string{"charger", "path", "box", "others"} {
		at := seconds(name)
		if len(at) != 4 || at[0] != 0 || at[1] < 10*time.Second || at[1] > 12*time.Second || at[2]-at[1] != 10*time.Second || at[3]-at[2] != 10*time.Second {
			t.Errorf("%s is asked at %v", name, at)
		}
		if again := seconds(name); !slices.Equal(at, again) {
			t.Errorf("%s is asked at %v, and after a restart at %v", name, at, again)
		}
		places[at[1]] = true
	}
	if len(places) < 4 {
		t.Errorf("the sources are not spread: %v", places)
	}
}
