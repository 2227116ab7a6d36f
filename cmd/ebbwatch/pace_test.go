package main

import (
	"math"
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
		"all is well":         {func(*facts.Snapshot) {}, history.Calm},
		"power is short":      {func(s *facts.Snapshot) { s.Extra["writes_thinned"] = 1 }, history.Sparing},
		"beyond the horizon":  {func(s *facts.Snapshot) { s.Outlook.Cutoff.P10 = math.NaN() }, history.Calm},
		"a warning":           {func(s *facts.Snapshot) { s.Alarms = []facts.Alarm{{Severity: "warning"}} }, history.Calm},
		"a grave alarm":       {func(s *facts.Snapshot) { s.Alarms = []facts.Alarm{{Severity: "critical"}} }, history.Usual},
		"dark within the day": {func(s *facts.Snapshot) { s.Outlook.Cutoff.P10 = 20 }, history.Usual},
		"dark":                {func(s *facts.Snapshot) { s.Outlook.Dark = true }, history.Usual},
		"no outlook yet":      {func(s *facts.Snapshot) { s.Outlook.At = time.Time{} }, history.Usual},
		"below the reserve":   {func(s *facts.Snapshot) { s.Belief.Low = s.Battery.Reserve - 0.01 }, history.Usual},
		"still starting":      {func(s *facts.Snapshot) { s.Ready = false }, history.Usual},
	} {
		s := factstest.Rich()
		s.Alarms, s.Outlook.Cutoff.P10, s.Battery.Reserve = nil, 200, 0.2
		s.Extra = map[string]float64{}
		if s.Outlook.At.IsZero() || s.Belief.Low < 0.3 || !s.Ready || s.Outlook.Dark {
			t.Fatal("the snapshot of a node that is well is not one")
		}
		c.change(s)
		if got := pace(s); got != c.want {
			t.Errorf("%s: the pace is %d, want %d", name, got, c.want)
		}
	}
}
