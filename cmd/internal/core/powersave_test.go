package core

import (
	"testing"
	"time"

	"ebbwatch/estimator/battery"
)

func TestLow(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		name            string
		low, soc, high  float64
		already, wanted bool
	}{
		{"plenty", 0.7, 0.8, 0.9, false, false},
		{"low", 0.08, 0.15, 0.2, false, true},
		{"below the reserve, but not by half", 0.12, 0.15, 0.2, false, false},
		{"nothing is known yet", 0.02, 0.5, 0.98, false, false},
		{"no belief", 0, 0, 0, false, false},
		{"no belief any more", 0, 0, 0, true, true},
		{"a little better", 0.11, 0.2, 0.3, true, true},
		{"recovered", 0.13, 0.2, 0.3, true, false},
		{"the guess recovered", 0.1, 0.25, 0.6, true, false},
	} {
		c := New(testPlan())
		c.plan.Battery.Reserve = 0.2
		c.belief = battery.Belief{Low: tt.low, SoC: tt.soc, High: tt.high}
		if got := c.Low(tt.already); got != tt.wanted {
			t.Errorf("%s: %v", tt.name, got)
		}
	}
}

func TestStretched(t *testing.T) {
	t.Parallel()
	for every, want := range map[time.Duration]time.Duration{
		time.Second: 3 * time.Second, 10 * time.Second: 30 * time.Second, 2 * time.Minute: 5 * time.Minute,
		5 * time.Minute: 5 * time.Minute, time.Hour: time.Hour,
	} {
		if got := Stretched(every); got != want {
			t.Errorf("%s becomes %s, want %s", every, got, want)
		}
	}
}
