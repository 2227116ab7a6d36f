package facts

import (
	"fmt"
	"math"
	"strings"
	"time"

	"ebbwatch/estimator/outlook"
)

// Level says at a glance how the site is.
type Level string

// The levels, from the best. Unknown means that too little is known to say.
const (
	OK       Level = "ok"
	Unknown  Level = "unknown"
	Warning  Level = "warning"
	Critical Level = "critical"
)

// rank orders levels by gravity.
func rank(l Level) int {
	switch l {
	case Critical:
		return 3
	case Warning:
		return 2
	case Unknown:
		return 1
	}
	return 0
}

// Worse is the graver of two levels.
func Worse(a, b Level) Level {
	if rank(b) > rank(a) {
		return b
	}
	return a
}

// Headline is the one sentence and the one number that matter.
type Headline struct {
	Level    Level
	Word     string // for the level and for how much is known: "All well"
	Sentence string // "Good until at least Thursday"
	Number   string // "61 %", "21 to 99 %" while little is known, or empty when nothing is
	Band     string // "±4", in percent points; empty beside a range
	Of       string // what the number is: the charge, or one that is only believed while nothing is read
	Knowledge
	Why []string // not more is known
}

// String is the sentence and the number in one line.
func (h Headline) String() string {
	if h.Number == "" {
		return h.Sentence
	}
	return strings.TrimSpace(h.Sentence + "; " + h.Number + " " + h.Band)
}

// HeadlineOf sums a snapshot up. The level is the gravest of the sentence and the alarms.
func HeadlineOf(s *Snapshot) Headline {
	h := Headline{}
	h.Knowledge, h.Why = KnowledgeOf(s)
	h.Sentence, h.Level = s.known(h.Knowledge)
	for _, a := range s.Alarms {
		switch a.Severity {
		case "critical":
			h.Level = Critical
		case "warning":
			h.Level = Worse(h.Level, Warning)
		}
	}
	h.Of = "charge"
	if h.Knowledge == Blind {
		h.Of = "charge, believed and not read"
	}
	h.Word = s.word(h.Level, h.Knowledge)
	if s.BeliefKnown() {
		h.Number, h.Band = percentBand(s.Belief.SoC, s.Belief.Low, s.Belief.High)
		if s.vague() {
			h.Number, h.Band = fmt.Sprintf("%.0f to %.0f %%", math.Floor(100*s.Belief.Low), math.Ceil(100*s.Belief.High)), ""
		}
	}
	return h
}

// word names a level; only who reads, and is not contradicted, is told that all is well.
func (s *Snapshot) word(l Level, k Knowledge) string {
	switch {
	case l == Critical:
		return "Act now"
	case l == Warning:
		return "Look at this"
	case l == Unknown:
		return "Not known"
	case k == Learning:
		return "Well so far, still learning"
	case s.OutlookKnown() && s.week() >= worthTelling:
		return "Well for now"
	}
	return "All well"
}

// percentBand states a charge and half the width of its band, the wider side, rounded up:
// a band must not look narrower than it is.
func percentBand(x, low, high float64) (number, band string) {
	half := math.Ceil(100*max(high-x, x-low, 0) - 1e-9)
	return fmt.Sprintf("%.0f %%", 100*x), fmt.Sprintf("±%.0f", half)
}

// known is the sentence as far as anything is known.
func (s *Snapshot) known(k Knowledge) (string, Level) {
	switch {
	case k == NothingRead:
		return "Nothing read yet", Unknown
	case s.Heard < 0:
		return "Nothing read yet that can be believed", Unknown
	case k == Blind && !s.Ready:
		return "Starting; the last reading is " + Span(s.Heard) + " old", Unknown
	case k == Blind:
		return "No fresh readings for " + Span(s.Heard) + "; what is below is old", Warning
	}
	text, level := sentence(s)
	but := map[Knowledge]string{Doubted: "A reading is doubted", PartlyBlind: "An instrument is silent"}[k]
	if level == OK && but != "" {
		return but + "; by the rest: " + strings.ToLower(text[:1]) + text[1:], Unknown
	}
	return text, level
}

func sentence(s *Snapshot) (string, Level) {
	switch {
	case !s.BeliefKnown():
		return "Too early to say: the charge is not known yet", Unknown
	case !s.OutlookKnown() && s.Extra["outlook_standing"] == float64(outlook.Doubted):
		return "No outlook: the panel's light does not fit the latitude, longitude or clock", Warning
	case !s.OutlookKnown() && s.Extra["outlook_standing"] == float64(outlook.Learning):
		return "Learning the panel: too early to say how long this lasts", Unknown
	case !s.OutlookKnown():
		return "Too early to say how long this lasts", Unknown
	}
	if s.Outlook.Dark {
		return "The load is off" + s.backWhen(), Critical
	}
	reserve, cutoff := s.Ahead(beyond(s.Outlook.Reserve.P10)), s.Ahead(beyond(s.Outlook.Cutoff.P10))
	switch {
	case cutoff < 1:
		return "The load may go off within the hour", Critical
	case s.week() >= worthWarning && reserve < 1:
		return s.nearReserve() + "; " + s.darkBy(), Warning
	case s.week() >= worthWarning:
		return upper(s.darkBy()), Warning
	case reserve < 1 && math.IsInf(cutoff, 1):
		return s.nearReserve() + ", but no cut-off in sight", Warning
	case reserve < 1:
		return s.nearReserve() + "; the load may go off from " + s.day(cutoff), Warning
	case s.week() >= worthTelling:
		return upper(s.darkBy()), OK
	case math.IsInf(reserve, 1):
		return "Good for at least ten days", OK
	}
	return "Good until at least " + s.day(reserve), OK
}

const (
	// worthTelling is the chance of going dark within a week from which the headline speaks
	// of it, and worthWarning that from which it is no longer "all well".
	worthTelling, worthWarning = 0.08, 0.2
	// mostOf the week's chance must lie within a shorter span for the headline to name it.
	mostOf = 0.8
)

// week is the chance of going dark within a week.
func (s *Snapshot) week() float64 {
	w := s.Outlook.Cutoff.Within
	return w[len(w)-1]
}

// darkBy is the chance of going dark within the week, or within a shorter span that holds
// most of it, in words, and the day by which.
func (s *Snapshot) darkBy() string {
	for i, hours := range outlook.Withins() {
		if p := s.Outlook.Cutoff.Within[i]; p >= mostOf*s.week() {
			return odds(p) + " of going dark by " + s.day(s.Ahead(float64(hours)))
		}
	}
	return ""
}

// odds says a chance the way people bet, never surer than it is.
func odds(p float64) string {
	for _, x := range []struct {
		least float64
		words string
	}{
		{0.95, "19-in-20 chance"}, {0.85, "9-in-10 chance"}, {0.77, "4-in-5 chance"}, {0.71, "3-in-4 chance"}, {0.58, "2-in-3 chance"},
		{0.42, "even chance"}, {0.29, "1-in-3 chance"}, {0.225, "1-in-4 chance"}, {0.16, "1-in-5 chance"},
	} {
		if p >= x.least {
			return x.words
		}
	}
	return "1-in-10 chance"
}

// upper makes a sentence begin as one.
func upper(text string) string { return strings.ToUpper(text[:1]) + text[1:] }

// backWhen says when a load that is off is likely back, where that is in sight.
func (s *Snapshot) backWhen() string {
	if x := s.Outlook.BackHours; !math.IsNaN(x) {
		return "; it should be back by " + s.day(math.Ceil(s.Ahead(x)))
	}
	return ""
}

// day names a moment some hours ahead the way people speak of it, never later than it is:
// soon by the hour, then by the day. Without a trusted clock only a span can be named.
func (s *Snapshot) day(hours float64) string {
	if !s.At.Trusted {
		return fmt.Sprintf("%.0f hours from now", math.Floor(hours))
	}
	from, at := s.Local(s.At.Wall), s.Local(s.At.Wall.Add(time.Duration(hours*float64(time.Hour))))
	days := dayNumber(at) - dayNumber(from)
	switch {
	case days == 0:
		return at.Format("15:00") + " today"
	case days == 1:
		return at.Format("15:00") + " tomorrow"
	case days < 7:
		return at.Format("Monday")
	}
	return at.Format("Monday 2 January")
}

// Local is a moment in the site's own zone.
func (s *Snapshot) Local(t time.Time) time.Time {
	if s.Zone == nil {
		return t.UTC()
	}
	return t.In(s.Zone)
}

func dayNumber(t time.Time) int {
	y, m, d := t.Date()
	return int(time.Date(y, m, d, 0, 0, 0, 0, time.UTC).Unix() / 86400)
}

// Span prints a duration as people say it: 40 s, 12 min, 5 h, 3 days.
func Span(d time.Duration) string {
	switch {
	case d < 0:
		return "unknown"
	case d < 90*time.Second:
		return fmt.Sprintf("%.0f s", d.Seconds())
	case d < 90*time.Minute:
		return fmt.Sprintf("%.0f min", d.Minutes())
	case d < 48*time.Hour:
		return fmt.Sprintf("%.0f h", d.Hours())
	}
	return fmt.Sprintf("%.0f days", d.Hours()/24)
}

// nearReserve says whether the charge is below the reserve or only may be.
func (s *Snapshot) nearReserve() string {
	if s.Belief.SoC < s.Battery.Reserve {
		return "Below the reserve"
	}
	return "Close to the reserve"
}
