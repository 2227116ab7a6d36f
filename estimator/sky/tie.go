package sky

import "math"

// ErrorTies follows how a service's errors go together: those for neighbouring days in the same
// issue, since a forecast that misses a low misses all its days; and those for one day in
// successive issues, since what is forecast today is seldom quite new.
type ErrorTies struct {
	N, Sum float64
	Last   [Leads]float64 // errors of the day before, in standard deviations
	Known  [Leads]bool
	Days   float64    // days on which several issues could be compared
	Stick  [2]float64 // sums over them: products of the errors of issues one and two days apart
}

// Correlation is the correlation of two errors: Day to the power of how far the forecast days are
// apart, times, for different issues, Stick × Fade to the power of how far those are.
type Correlation struct{ Day, Stick, Fade float64 }

// What is believed of a service before anything was learned. Successive issues go together
// more often than not (common practice).
const (
	usualTie    = 0.3
	usualStick  = 0.6  // one day apart
	usualStick2 = 0.45 // two days apart
	tiePrior    = 60.0 // pairs of days that it is worth
	stickPrior  = 20.0 // days that it is worth
	tieFade     = 1 - 1.0/600
	stickFade   = 1 - 1.0/300
)

// Correlation is what was learned of the errors. It is never quite 1: a line that is a little off
// would else be taken for knowledge.
func (t *ErrorTies) Correlation() Correlation {
	b := Correlation{Day: max(0, min(0.8, (t.Sum+tiePrior*usualTie)/(t.N+tiePrior)))}
	one := (t.Stick[0] + stickPrior*usualStick) / (t.Days + stickPrior)
	two := (t.Stick[1] + stickPrior*usualStick2) / (t.Days + stickPrior)
	if one <= 0.02 {
		return b
	}
	b.Fade = max(0.3, min(1, two/one))
	b.Stick = min(one/b.Fade, 0.85)
	return b
}

// table is the correlation by days and by issues apart.
func (b Correlation) table() (out [Leads][Leads]float64) {
	for d := range Leads {
		same := math.Pow(b.Day, float64(d))
		out[d][0] = same
		for i := 1; i < Leads; i++ {
			out[d][i] = same * b.Stick * math.Pow(b.Fade, float64(i))
		}
	}
	return out
}

// Missed takes in by how much each lead's forecast missed a day that came true, in standard
// deviations. follows tells that it is the day after the one before.
func (t ErrorTies) Missed(miss [Leads]float64, known [Leads]bool, follows bool) ErrorTies {
	for lead := 2; lead < Leads && follows; lead++ {
		if known[lead] && t.Known[lead-1] {
			t.N = t.N*tieFade + 1
			t.Sum = t.Sum*tieFade + max(-4, min(4, miss[lead]*t.Last[lead-1]))
		}
	}
	one, ok1 := products(miss, known, 1)
	two, ok2 := products(miss, known, 2)
	if ok1 && ok2 {
		t.Days = t.Days*stickFade + 1
		t.Stick[0] = t.Stick[0]*stickFade + one
		t.Stick[1] = t.Stick[1]*stickFade + two
	}
	t.Last, t.Known = miss, known
	return t
}

// products is the mean product of the errors of issues so many days apart, of one day.
func products(miss [Leads]float64, known [Leads]bool, apart int) (mean float64, ok bool) {
	n := 0.0
	for lead := 0; lead+apart < Leads; lead++ {
		if known[lead] && known[lead+apart] {
			mean += max(-4, min(4, miss[lead]*miss[lead+apart]))
			n++
		}
	}
	return mean / max(n, 1), n > 0
}
