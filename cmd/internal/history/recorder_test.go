package history

import (
	"math"
	"testing"
	"time"

	"ebbwatch/cmd/internal/facts"
	"ebbwatch/cmd/internal/facts/factstest"
)

// The card is spared while all is well, and only then, or while the battery is low.
func TestPaceOfTheCard(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		change func(*facts.Snapshot)
		want   Pace
	}{
		"all is well":         {func(*facts.Snapshot) {}, Calm},
		"power is short":      {func(s *facts.Snapshot) { s.Extra["writes_thinned"] = 1 }, Sparing},
		"beyond the horizon":  {func(s *facts.Snapshot) { s.Outlook.Cutoff.P10 = math.NaN() }, Calm},
		"a warning":           {func(s *facts.Snapshot) { s.Alarms = []facts.Alarm{{Severity: "warning"}} }, Calm},
		"a grave alarm":       {func(s *facts.Snapshot) { s.Alarms = []facts.Alarm{{Severity: "critical"}} }, Usual},
		"dark within the day": {func(s *facts.Snapshot) { s.Outlook.Cutoff.P10 = 20 }, Usual},
		"dark":                {func(s *facts.Snapshot) { s.Outlook.Dark = true }, Usual},
		"no outlook yet":      {func(s *facts.Snapshot) { s.Outlook.At = time.Time{} }, Usual},
		"below the reserve":   {func(s *facts.Snapshot) { s.Belief.Low = s.Battery.Reserve - 0.01 }, Usual},
		"still starting":      {func(s *facts.Snapshot) { s.Ready = false }, Usual},
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
