package outlook

import "math"

// Lesson is something that is not learned yet, so that the usual stands in for it, with its
// doubt. It is for people; the futures count the doubt in by themselves.
type Lesson struct {
	What string
	Left int    // so many more days teach it
	Of   string // what a day must be like to teach: "sun", or empty
}

// learnedDays is when a habit counts as known: the load's level is followed over about five
// days, and five days that teach halve the doubt about what the panel gives.
const learnedDays = 5

// Lessons lists what is still unknown of load and panel, where something is there to teach it: a
// load or a panel that no instrument sees is never learned, and promising it would be a lie.
func (s *State) Lessons() []Lesson {
	var out []Lesson
	add := func(what, of string, days float64) {
		if left := int(math.Ceil(learnedDays - days)); left > 0 {
			out = append(out, Lesson{what, left, of})
		}
	}
	if s.Load.Level > 0 {
		add("how the load differs from day to day", "", s.Load.Days)
	}
	if lived := max(s.Load.Days, 365*s.Ledger.Years); s.Panel.Days > 0 || s.Day.Least > 0 || lived < 3 {
		add("what the panel gives", "sun", s.Panel.Days)
	}
	return out
}
