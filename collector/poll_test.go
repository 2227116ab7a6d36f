package collector_test

import (
	"context"
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
