package main

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"ebbwatch/alert"
)

// band is how often the truth was in the band of the belief, and how far outside.
type band struct {
	seen, inside int
	worst        float64
}

// look notes one comparison; what may flow between the two looks does not count.
func (b *band) look(truth, low, high float64) (out float64) {
	const between = 0.01
	out = max(0, low-between-truth, truth-high-between)
	b.seen++
	if out == 0 {
		b.inside++
	}
	b.worst = max(b.worst, out)
	return out
}

// longest is the longest of some times.
func longest(of []float64) float64 {
	if len(of) == 0 {
		return math.NaN()
	}
	return slices.Max(of)
}

// judgeWarnings wants nothing to wait, nothing dropped, and each alarm that the owner heard of
// to be over or still active; and each that is active to be heard of.
func (s *soak) judgeWarnings() {
	s.t.Helper()
	s.eventually("no notice waits", func() bool {
		body, _ := get(s.t, s.out.page()+"/metrics")
		return strings.Contains(body, "\nebbwatch_notices_waiting 0\n")
	})
	body, _ := get(s.t, s.out.page()+"/metrics")
	for _, outcome := range []string{"refused", "dropped"} {
		if !strings.Contains(body, fmt.Sprintf("ebbwatch_notices_total{channel=\"owner\",outcome=%q} 0\n", outcome)) {
			s.t.Errorf("notices were %s:\n%s", outcome, body)
		}
	}
	st, _ := s.state()
	raised := s.heard("", alert.Raised)
	over := s.heard("", alert.Cleared)
	for _, a := range st.Alarms {
		if _, heard := raised[a.ID]; !heard && a.Severity != string(alert.Info) { // mere news is not sent
			s.t.Errorf("nobody heard of %s, which is active: %+v", a.Rule, a)
		}
		over[a.ID] = a.Rule
	}
	var left []string
	for id, rule := range raised {
		if over[id] == "" && !s.orphans[id] {
			left = append(left, rule+" "+id)
		}
	}
	counts := map[string]int{}
	for _, rule := range raised {
		counts[rule]++
	}
	s.t.Logf("the owner heard of %d alarms: %v", len(raised), counts)
	if len(left) > 0 {
		s.t.Errorf("nobody heard that these are over: %v", left)
	}
}

// judgeBelief wants the charge to be in its band of 90 %. Of few rounds, as by default, only a
// gross error tells anything.
func (s *soak) judgeBelief() {
	s.t.Helper()
	b := s.band
	s.t.Logf("the charge was in its band %d times of %d, and at most %.3f outside", b.inside, b.seen, b.worst)
	if b.seen >= 100 && float64(b.inside) < 0.8*float64(b.seen) || b.worst > 0.1 || b.seen == 0 {
		s.t.Error("the belief is not to be trusted")
	}
}

// judgeLeaks wants goroutines, descriptors and memory to be flat once a life is warm. Only days
// can tell: resident memory creeps up for a day or two while ever more of the program is run once.
func (s *soak) judgeLeaks() {
	s.t.Helper()
	samples, err := heldOf(s.dir)
	if err != nil {
		s.t.Fatal(err)
	}
	if s.length < 48*time.Hour {
		last := samples[len(samples)-1]
		s.t.Logf("at the end: %v goroutines, descriptors, MB resident, private and live", last.x)
		if last.x[0] > 100 || last.x[1] > 60 || last.x[2] > 150 {
			s.t.Errorf("something leaks fast: %+v", last)
		}
		return
	}
	for i, what := range []string{"goroutines", "descriptors", "resident MB", "private MB", "live MB"} {
		r, most := trendOf(samples, i), [5]float64{3, 3, 24, 4, 2}[i] // resident: up to all of the program, whose pages are read as they are first run
		s.t.Logf("%s: %v", what, r)
		if r.leaks(most) {
			s.t.Errorf("%s leak: %v", what, r)
		}
		if r.vague(most) {
			s.t.Errorf("%s: it was too short or too noisy to tell: %v", what, r)
		}
	}
}
