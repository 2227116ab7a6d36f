package core

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"ebbwatch/alert"
	"ebbwatch/collector/reading"
	"ebbwatch/estimator/battery"
)

// TestNoSentenceContradictsAnother draws states of battery, load, sky and season, has the real
// outlook, advice and rules speak of them, and reads the text as a person does: every pair of
// numbers in it must fit together.
func TestNoSentenceContradictsAnother(t *testing.T) {
	t.Parallel()
	states := 120
	if os.Getenv("EBBWATCH_STUDY") == "1" {
		states = 4000
	}
	spoke, inTime, back := 0, 0, 0
	for seed := range uint64(states) {
		now, trip, notices := speak(seed)
		for _, n := range notices {
			r := reader{now: now, trip: trip, n: n}
			for _, what := range r.contradictions() {
				t.Errorf("state %d: %s\n%s", seed, what, n.Plain())
			}
			spoke++
			if strings.Contains(n.Text, "leave by") {
				inTime++
			}
			if strings.Contains(n.Text, "back by itself") {
				back++
			}
		}
	}
	t.Logf("%d states, %d texts, %d with a time to leave, %d with a return", states, spoke, inTime, back)
	if spoke < states/4 || inTime < states/40 || back < states/20 {
		t.Errorf("%d texts of %d states, %d with a time to leave, %d with a return: too few to show anything", spoke, states, inTime, back)
	}
}

// speak draws a state and gives what the rules of the dark ahead say of it at once.
func speak(seed uint64) (now time.Time, trip time.Duration, notices []alert.Notice) {
	dice := rand.New(rand.NewPCG(seed, 18))
	p := testPlan()
	hours := 0.5 + 4*dice.Float64()
	p.TripHours, p.Battery.CapacityAh = hours, 40+160*dice.Float64()
	p.Engine = alert.Engine{Site: "slipway", Zone: time.UTC, TripHours: hours}
	for _, r := range alert.Builtin() {
		if strings.HasSuffix(r.Name, "_ahead") {
			r.After = nil
			r.Rungs = slices.Clone(r.Rungs)
			for i := range r.Rungs {
				r.Rungs[i].For = 0
			}
			p.Engine.Rules = append(p.Engine.Rules, r)
		}
	}
	c := New(p)
	stamp := at(time.Hour)
	stamp.Wall = time.Date(2026, time.Month(1+dice.IntN(12)), 1+dice.IntN(28), dice.IntN(24), dice.IntN(60), 0, 0, time.UTC)
	stamp.Trusted = true
	soc := 0.08 + 0.6*dice.Float64()*dice.Float64()
	sd := 0.01 + 0.05*dice.Float64()
	c.first, c.started, c.last = stamp, true, stamp
	c.memory.Heard, c.memory.HeardAt = true, stamp.Mono
	c.belief = battery.Belief{SoC: soc, SoCSD: sd, Low: max(0, soc-1.6*sd), High: min(1, soc+1.6*sd), UsableAh: p.Battery.CapacityAh * 0.9, SinceFull: 100 * time.Hour}
	c.memory.Outlook.Load.Level = 3 + 25*dice.Float64()
	c.memory.Outlook.Warmth.Battery, c.memory.Outlook.Warmth.BatteryOK = -6+26*dice.Float64(), true
	if dice.IntN(2) == 0 {
		c.forecast = &reading.Forecast{Issued: stamp.Wall.Add(-time.Hour)}
		for h := range 168 {
			start := stamp.Wall.Truncate(time.Hour).Add(time.Duration(h) * time.Hour)
			light := max(0, math.Sin(float64(start.Hour()-6)/12*math.Pi)) * 300 * dice.Float64()
			c.forecast.Hours = append(c.forecast.Hours, reading.ForecastHour{Start: start, GHI: light, AirCelsius: 3})
		}
	}
	c.UpdateOutlook(stamp)
	return stamp.Wall, time.Duration(hours * float64(time.Hour)), c.judge(stamp)
}

// reader reads a notice as a person does.
type reader struct {
	now  time.Time
	trip time.Duration
	n    alert.Notice
}

// chances are the words for a chance, from the least.

func chances() []string {
	return []string{"next to none", "about 1 in 10", "about 1 in 5", "about 1 in 4", "about 1 in 3", "about even", "about 2 in 3", "about 3 in 4", "about 4 in 5", "about 9 in 10", "almost certain"}
}

const moment = `((?:Mon|Tue|Wed|Thu|Fri|Sat|Sun) (?:\d+ [A-Z][a-z][a-z] )?\d\d:\d\d)`

// find gives the moments that a pattern names; nil when it is not there.
func (r reader) find(pattern string) []time.Time {
	m := regexp.MustCompile(strings.ReplaceAll(pattern, "MOMENT", moment)).FindStringSubmatch(r.n.Plain())
	var out []time.Time
	for _, text := range m[min(1, len(m)):] {
		out = append(out, r.moment(text, r.now))
	}
	return out
}

// moment is the first one of that name that is not before another.
func (r reader) moment(text string, from time.Time) time.Time {
	for t := from.Truncate(15 * time.Minute).Add(-time.Hour); t.Sub(from) < 400*24*time.Hour; t = t.Add(15 * time.Minute) {
		if t.Format("Mon 15:04") == text || t.Format("Mon 2 Jan 15:04") == text {
			return t
		}
	}
	return time.Time{}
}

// span reads a length of time and how far its rounding may be off.
func (r reader) span(pattern string) (d, off time.Duration, ok bool) {
	m := regexp.MustCompile(pattern + `([\d.]+) (minute|hour|day)s`).FindStringSubmatch(r.n.Text)
	if m == nil {
		return 0, 0, false
	}
	var x float64
	fmt.Sscan(m[1], &x)
	unit := map[string]time.Duration{"minute": time.Minute, "hour": time.Hour, "day": 24 * time.Hour}[m[2]]
	off = map[string]time.Duration{"minute": time.Minute, "hour": time.Hour / 2, "day": 6 * time.Hour}[m[2]]
	if x >= 10 && m[2] == "day" {
		off = 12 * time.Hour
	}
	return time.Duration(x * float64(unit)), off, true
}

// slack is what the rounding of two times of day to the quarter of an hour may be off.
const slack = 16 * time.Minute

func (r reader) contradictions() (found []string) {
	wrong := func(format string, args ...any) { found = append(found, fmt.Sprintf(format, args...)) }
	if strings.Contains(r.n.Plain(), "not known") || strings.Contains(r.n.Plain(), "NaN") {
		wrong("it speaks of what is not known")
	}
	if len([]rune(r.n.Title)) >= 60 || strings.HasSuffix(r.n.Title, "…") {
		wrong("the title %q is cut or long", r.n.Title)
	}
	r.moments(wrong)
	r.shares(wrong)
	return found
}

func (r reader) moments(wrong func(string, ...any)) {
	early := r.find("as early as MOMENT")
	from, to := r.window()
	leave, back := r.find("leave by MOMENT"), r.find("back by itself about MOMENT")
	switch {
	case len(early) > 0 && early[0].After(from.Add(slack)):
		wrong("it may come as early as %s, and is most likely from %s", early[0], from)
	case to.Before(from):
		wrong("the likely span ends at %s, before %s", to, from)
	case len(leave) > 0 && (leave[0].Add(r.trip).After(early[0].Add(slack)) || leave[0].Before(r.now)):
		wrong("leaving at %s for a way of %s is too late for %s", leave[0], r.trip, early[0])
	case len(back) > 0 && back[0].Before(to.Add(-slack)):
		wrong("it is back at %s, before it goes dark until %s", back[0], to)
	}
	if d, off, ok := r.span("dark for about "); ok && len(back) > 0 && (d < back[0].Sub(to)-off-slack || d > back[0].Sub(from)+off+slack) {
		wrong("dark for %s, from between %s and %s until %s", d, from, to, back[0])
	}
	for pattern, want := range map[string][]time.Time{"act by MOMENT": leave, "may go dark MOMENT or later": early, "going dark about MOMENT": {from}} {
		if got := r.find(": " + pattern); len(got) > 0 && (len(want) == 0 || !got[0].Equal(want[0])) {
			wrong("the title says %s, the text %v", got[0], want)
		}
	}
	if bring := r.find("leaving by MOMENT"); len(bring) > 0 && r.n.Rule == "cutoff_ahead" && (len(leave) == 0 || !bring[0].Equal(leave[0])) {
		wrong("two times to leave: %v and %v", bring, leave)
	}
}

// window is the likely span; both ends are the same where it is short.
func (r reader) window() (from, to time.Time) {
	if w := r.find("most likely MOMENT to MOMENT"); len(w) == 2 {
		return w[0], w[1]
	}
	m := regexp.MustCompile("most likely " + moment + ` to (\d\d:\d\d)`).FindStringSubmatch(r.n.Text)
	if m != nil {
		from = r.moment(m[1], r.now)
		end, err := time.Parse("15:04", m[2])
		if err == nil {
			to = from.Truncate(24 * time.Hour).Add(time.Duration(end.Hour())*time.Hour + time.Duration(end.Minute())*time.Minute)
		}
		return from, to
	}
	if w := r.find("most likely about MOMENT"); len(w) == 1 {
		return w[0], w[0]
	}
	return time.Time{}, time.Time{}
}

func (r reader) shares(wrong func(string, ...any)) {
	rank := func(word string) int { return slices.Index(chances(), strings.TrimSpace(word)) }
	sure := regexp.MustCompile(`(?:How sure: ([a-z0-9 ]*?) within a week|Going dark within a week: (.*?)\.)`).FindStringSubmatch(r.n.Text)
	if len(sure) > 0 && sure[1] == "" {
		sure[1] = sure[2]
	}
	for _, m := range regexp.MustCompile(`chance of going dark within a week falls from (.*?) to (.*?)\.`).FindAllStringSubmatch(r.n.Plain(), -1) {
		switch {
		case rank(m[1]) < 0 || rank(m[2]) < 0:
			wrong("%q is no chance", m[0])
		case rank(m[2]) >= rank(m[1]):
			wrong("%q is no fall", m[0])
		case len(sure) > 0 && sure[1] != m[1]:
			wrong("the chance is %s, and falls from %s", sure[1], m[1])
		}
	}
	spans := regexp.MustCompile(`within (\w+) days`).FindAllString(strings.ReplaceAll(r.n.Plain(), "within ten days is not likely", ""), -1)
	if r.n.Rule == "cutoff_ahead" && len(spans) > 0 {
		wrong("beside a week it speaks of %v", spans)
	}
	expected := strings.Contains(r.n.Text, "is expected to go dark")
	if r.n.Rule == "cutoff_ahead" && len(sure) > 0 && expected != (rank(sure[1]) > rank("about even")) && sure[1] != "about even" {
		wrong("expected: %v, with a chance of %s", expected, sure[1])
	}
}
