package facts_test

import (
	"math"
	"testing"
	"time"

	"ebbwatch/cmd/internal/facts"
	"ebbwatch/cmd/internal/facts/factstest"
)

// Each day tells the light of its date and the low of the night after it, and its chance is that
// of the noon at which the night is told.
func TestDaysAhead(t *testing.T) {
	t.Parallel()
	s := factstest.Rich() // 12:30 on a Tuesday
	days := facts.DaysAhead(s)
	if len(days) != 7 || days[0].Name != "Tue" || days[1].Name != "Wed" || days[6].Name != "Mon" {
		t.Fatalf("%+v", days)
	}
	for i, d := range days {
		light, low := 0.0, 2.0
		chance := math.NaN()
		for _, p := range s.Outlook.Fan {
			at := factstest.Noon().Add(time.Duration(p.Hours * float64(time.Hour)))
			if at.After(factstest.Noon()) && at.Add(-time.Minute).Day() == 24+i && at.Add(-time.Minute).Month() == 11 {
				light += p.SunWatts
			}
			if night := at.Sub(time.Date(2026, 11, 24+i, 12, 0, 0, 0, at.Location())); night >= 0 && night <= 24*time.Hour {
				low, chance = min(low, p.P50), p.Cutoff
			}
		}
		if i < 6 && math.Abs(d.SunWh-light) > 1e-6 {
			t.Errorf("%s: %v Wh of sun, want %v", d.Name, d.SunWh, light)
		}
		if math.Abs(d.Low-low) > 1e-9 || d.Cutoff != chance || !d.Lit || !d.OfCutoff || d.LowP10 > d.Low {
			t.Errorf("%s: %+v, want a low of %v and a chance of %v", d.Name, d, low, chance)
		}
	}
}

// At four in the morning the night is not over; its low comes first, without light.
func TestTheNightInProgress(t *testing.T) {
	t.Parallel()
	s := factstest.Rich()
	shift := -(8*time.Hour + 30*time.Minute)
	s.At.Wall, s.Outlook.At = s.At.Wall.Add(shift), s.Outlook.At.Add(shift)
	days := facts.DaysAhead(s)
	if days[0].Name != "tonight" || days[0].Lit || days[0].SunWh != 0 || days[1].Name != "Tue" || len(days) != 7 {
		t.Errorf("%+v", days)
	}
	s.At.Trusted = false
	if days = facts.DaysAhead(s); days[1].Name != "+0 d" || days[2].Name != "+1 d" {
		t.Errorf("without a clock: %s, %s", days[1].Name, days[2].Name)
	}
	s.Heard = -1
	if days = facts.DaysAhead(s); days != nil {
		t.Errorf("with no reading ever: %+v", days)
	}
}

// By the textbook: cos H = -tan(52.75°) tan(-20.6°), so the sun is up for 4.02 h before and after its
// noon, and refraction and its size add 0.1 h; noon is at 12:21 CET at 6.57° E in late November,
// 34 min for the zone less 13 of the equation of time.
func TestNights(t *testing.T) {
	t.Parallel()
	nights := facts.Nights(factstest.Rich(), -12, 36)
	if len(nights) != 3 {
		t.Fatalf("%+v", nights)
	}
	if w := nights[1]; math.Abs(w.From-3.98) > 0.12 || math.Abs(w.To-19.72) > 0.12 || nights[0].From != -12 || nights[2].To != 36 {
		t.Errorf("the night is from %.2f to %.2f h after 12:30: %+v", w.From, w.To, nights)
	}
	s := factstest.Rich()
	s.At.Trusted = false
	if n := facts.Nights(s, 0, 24); n != nil {
		t.Errorf("without a clock: %v", n)
	}
}
