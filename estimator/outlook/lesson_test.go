package outlook

import "testing"

// What no instrument sees is never learned, and is not promised.
func TestLessons(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		set  func(*State)
		want []Lesson
	}{
		"a first reading of all": {func(s *State) { s.Load.Level = 12 },
			[]Lesson{{"how the load differs from day to day", 5, ""}, {"what the panel gives", 5, "sun"}}},
		"three days, two of them grey": {func(s *State) { s.Load.Level, s.Load.Days, s.Panel.Days = 12, 3, 1.2 },
			[]Lesson{{"how the load differs from day to day", 2, ""}, {"what the panel gives", 4, "sun"}}},
		"a week":                        {func(s *State) { s.Load.Level, s.Load.Days, s.Panel.Days = 12, 7, 5.5 }, nil},
		"a week without a panel's eyes": {func(s *State) { s.Load.Level, s.Load.Days = 12, 7 }, nil},
		"a month of volts alone":        {func(s *State) { s.Ledger.Years = 0.08 }, nil},
	} {
		var s State
		c.set(&s)
		got := s.Lessons()
		if len(got) != len(c.want) {
			t.Errorf("%s: %v, want %v", name, got, c.want)
			continue
		}
		for i := range got {
			if got[i] != c.want[i] {
				t.Errorf("%s: %v, want %v", name, got[i], c.want[i])
			}
		}
	}
}
