package main

import (
	"testing"
	"time"

	"ebbwatch/cmd/internal/facts"
	"ebbwatch/cmd/internal/facts/factstest"
	"ebbwatch/cmd/internal/history"
)

// The card is spared while all is well, and only then, or while the battery is low.
func TestPaceOfTheCard(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		change func(*facts.Snapshot)
		want   history.Pace
	}{
		"all is well":           {func(*facts.Snapshot) {}, history.Calm},
		"power is short":        {func(s *facts.Snapshot) { s.Extra["writes_thinned"] = 1 }, history.Sparing},
		"an alarm":              {func(s *facts.Snapshot) { s.Alarms = make([]facts.Alarm, 1) }, history.Usual},
		"dark in three days":    {func(s *facts.Snapshot) { s.Outlook.Cutoff.P10 = 70 }, history.Usual},
		"no outlook yet":        {func(s *facts.Snapshot) { s.Outlook.At = time.Time{} }, history.Usual},
		"below the reserve":     {func(s *facts.Snapshot) { s.Belief.Low = s.Battery.Reserve - 0.01 }, history.Usual},
		"the clock is not sure": {func(s *facts.Snapshot) { s.At.Trusted = false }, history.Usual},
		"still starting":        {func(s *facts.Snapshot) { s.Ready = false }, history.Usual},
	} {
		s := factstest.Rich()
		s.Alarms, s.Outlook.Cutoff.P10, s.Battery.Reserve = nil, 200, 0.2
		s.Extra = map[string]float64{}
		if s.Outlook.At.IsZero() || s.Belief.Low < 0.3 || !s.Ready || !s.At.Trusted {
			t.Fatal("the snapshot of a node that is well is not one")
		}
		c.change(s)
		if got := pace(s); got != c.want {
			t.Errorf("%s: the pace is %d, want %d", name, got, c.want)
		}
	}
}
