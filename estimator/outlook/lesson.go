package outlook

import (
	"math"
	"time"
)

// Lesson is something that is not learned yet, so that the usual stands in for it, with its
// doubt. It is for people; the futures count the doubt in by themselves.
type Lesson struct {
	What string
	Left time.Duration // until it is known, if the days teach
}

// learnedDays is when a habit counts as known: the load's level is followed over about five
// days, and five days that teach halve the doubt about what the panel gives.
const learnedDays = 5

// Lessons lists what is still unknown of load and panel.
func (s *State) Lessons() []Lesson {
	var out []Lesson
	add := func(what string, days float64) {
		if left := math.Ceil(learnedDays - days); left > 0 {
			out = append(out, Lesson{what, time.Duration(left) * 24 * time.Hour})
		}
	}
	add("how the load differs from day to day", s.Load.Days)
	add("what the panel gives", s.Panel.Days)
	return out
}
