package facts_test

import (
	"math"
	"testing"
	"time"

	"ebbwatch/cmd/internal/facts"
	"ebbwatch/cmd/internal/facts/factstest"
	"ebbwatch/estimator/outlook"
)

func TestHeadline(t *testing.T) {
	t.Parallel()
	nan := math.NaN()
	window := func(p10 float64) outlook.Window { return outlook.Window{P10: p10, P50: nan, P90: nan} }
	within := func(week ...float64) func(*facts.Snapshot) {
		return func(s *facts.Snapshot) { copy(s.Outlook.Cutoff.Within[:], week) }
	}
	cases := []struct {
		name   string
		change func(*facts.Snapshot)
		want   string
		level  facts.Level
	}{
		{"good for days", func(*facts.Snapshot) {}, "Good until at least Friday; 61 % ±4", facts.OK},
		{"today", func(s *facts.Snapshot) { s.Outlook.Reserve = window(4) }, "Good until at least 16:00 today; 61 % ±4", facts.OK},
		{"tomorrow", func(s *facts.Snapshot) { s.Outlook.Reserve = window(20) }, "Good until at least 08:00 tomorrow; 61 % ±4", facts.OK},
		{"more than a week", func(s *facts.Snapshot) { s.Outlook.Reserve = window(200) }, "Good until at least Wednesday 2 December; 61 % ±4", facts.OK},
		{"no end", func(s *facts.Snapshot) { s.Outlook.Reserve = window(nan) }, "Good for at least ten days; 61 % ±4", facts.OK},
		{"close to the reserve", func(s *facts.Snapshot) { s.Outlook.Reserve = window(0); s.Outlook.Cutoff = window(40) },
			"Close to the reserve; the load may go off from Thursday; 61 % ±4", facts.Warning},
		{"below the reserve", func(s *facts.Snapshot) {
			s.Belief.SoC, s.Outlook.Reserve, s.Outlook.Cutoff = s.Battery.Reserve-0.05, window(0), window(40)
		}, "Below the reserve; the load may go off from Thursday; 15 % ±50", facts.Warning},
		{"close to it, sun to come", func(s *facts.Snapshot) { s.Outlook.Reserve = window(0); s.Outlook.Cutoff = window(nan) },
			"Close to the reserve, but no cut-off in sight; 61 % ±4", facts.Warning},
		{"the end", func(s *facts.Snapshot) { s.Outlook.Cutoff = window(0.5) }, "The load may go off within the hour; 61 % ±4", facts.Critical},
		{"a small chance", within(0, 0, 0.02, 0.06, 0.1), "1-in-10 chance of going dark by Tuesday 1 December; 61 % ±4", facts.OK},
		{"a fair chance", within(0, 0, 0.02, 0.17, 0.2), "1-in-5 chance of going dark by Sunday; 61 % ±4", facts.Warning},
		{"an even chance, soon", within(0.45, 0.5, 0.5, 0.5, 0.5), "Even chance of going dark by 12:00 tomorrow; 61 % ±4", facts.Warning},
		{"a chance that is next to none", within(0, 0, 0.02, 0.05, 0.07), "Good until at least Friday; 61 % ±4", facts.OK},
		{"a fair chance, and low", func(s *facts.Snapshot) {
			s.Outlook.Reserve, s.Outlook.Cutoff.Within = window(0), [5]float64{0, 0.8, 0.9, 0.9, 0.9}
		}, "Close to the reserve; 4-in-5 chance of going dark by Thursday; 61 % ±4", facts.Warning},
		{"dark", func(s *facts.Snapshot) {
			s.Outlook.Dark, s.Outlook.BackHours, s.Outlook.Cutoff = true, 26.2, window(0)
		}, "The load is off; it should be back by 15:00 tomorrow; 61 % ±4", facts.Critical},
		{"no clock", func(s *facts.Snapshot) { s.At.Trusted = false }, "Good until at least 63 hours from now; 61 % ±4", facts.OK},
		{"no outlook", func(s *facts.Snapshot) { s.Outlook = outlook.Outlook{} }, "Too early to say how long this lasts; 61 % ±4", facts.Unknown},
		{"alarm", func(s *facts.Snapshot) { s.Alarms = []facts.Alarm{{Severity: "warning"}} }, "Good until at least Friday; 61 % ±4", facts.Warning},
		{"silent", func(s *facts.Snapshot) {
			for i := range s.Sources[:2] {
				s.Sources[i].Age = 20 * time.Minute
			}
			s.Heard = 20 * time.Minute
		}, "No fresh readings for 20 min; what is below is old; 61 % ±4", facts.Warning},
		{"one of two is silent", func(s *facts.Snapshot) { s.Sources[1].Age = 20 * time.Minute }, "Good until at least Friday; 61 % ±4", facts.OK},
	}
	for _, c := range cases {
		s := factstest.Rich()
		s.Outlook.Cutoff.Within = [5]float64{}
		c.change(s)
		h := facts.HeadlineOf(s)
		if h.String() != c.want || h.Level != c.level {
			t.Errorf("%s: %q (%s), want %q (%s)", c.name, h, h.Level, c.want, c.level)
		}
	}
	h := facts.HeadlineOf(factstest.Empty())
	if want := "Nothing read yet"; h.String() != want || h.Level != facts.Unknown {
		t.Errorf("before the first reading: %q (%s), want %q", h, h.Level, want)
	}
}

func TestSpan(t *testing.T) {
	t.Parallel()
	for d, want := range map[time.Duration]string{
		-1: "unknown", 0: "0 s", 40 * time.Second: "40 s", 12 * time.Minute: "12 min", 5 * time.Hour: "5 h", 72 * time.Hour: "3 days",
	} {
		if got := facts.Span(d); got != want {
			t.Errorf("Span(%v) = %q, want %q", d, got, want)
		}
	}
}
