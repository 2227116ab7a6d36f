package outlook

import (
	"math"
	"time"
)

// Ledger keeps looks ahead until their time has come, and scores them. It is part of the
// [State], so it survives a restart.
type Ledger struct {
	Kept   [8]PendingLook // one look a day, the newest overwriting the oldest
	Next   int
	Scores [5]Score
	Watch  [numBudgets]Watch
	Years  float64 // over which was watched
	Last   int64   // Unix seconds of the last look
	Cut    int64   // Unix seconds of the last outage that was counted
	Leads  [16]float64
	NLeads int // outages so far; the last 16 leads are kept
	Tune   Calibration
}

// PendingLook is one look ahead that waits for its outcome.
type PendingLook struct {
	At      int64      // Unix seconds; 0 is none
	P       [5]float64 // before the tuning, which learns from them
	Said    [5]float64 // as they were told, which are scored
	Settled [5]bool
}

// Score sums how good the chances of one span were.
type Score struct {
	N, Came float64
	Brier   float64      // sum of squared misses
	Bins    [10]ScoreBin // by the chance that was stated
}

// ScoreBin is one tenth of the chances.
type ScoreBin struct{ N, P, Came float64 }

// Skill is the Brier skill against the base rate of the record itself; NaN while nothing
// or always the same came.
func (s Score) Skill() float64 {
	if s.N == 0 {
		return math.NaN()
	}
	rate := s.Came / s.N
	ref := s.N * rate * (1 - rate)
	if ref == 0 {
		return math.NaN()
	}
	return 1 - s.Brier/ref
}

const numBudgets = 9

// warnSpan is the index in [Withins] of the span whose chance raises the alarm: 120 h.
const warnSpan = 3

// threshold is the chance within 120 h that watch k would warn at.
func threshold(k int) float64 { return 0.1 * float64(k+1) }

// release is the share of the threshold below which an alarm ends.
const release = 0.25

// Watch counts how alarms at one threshold would have done.
type Watch struct {
	On          bool
	Since       int64 // Unix seconds
	Hit         bool  // the load went while the alarm was on
	False, True float64
}

// Calibration maps stated chances to better ones: logit p' = A + B logit p. It is learned from
// settled looks, slowly, and pulled towards leaving them as they are.
type Calibration struct {
	A, B   float64 // B is kept less 1, so that the zero value changes nothing
	HA, HB float64 // information gathered
}

const (
	tunePriorA = 1 / (0.3 * 0.3) // the shift is believed to be within 0.3
	tunePriorB = 1 / (0.2 * 0.2) // the slope within 0.2 of 1
	// tuneWeight discounts looks of successive days and several spans: they speak of the
	// same outage. An outage in all is worth about one independent case.
	tuneWeight = 1.0 / 15
)

func logit(p float64) float64 {
	p = max(0.002, min(0.998, p))
	return math.Log(p / (1 - p))
}

func logistic(x float64) float64 { return 1 / (1 + math.Exp(-x)) }

// apply gives the better chance. Certain ones stay as they are.
func (t *Calibration) apply(p float64) float64 {
	if t.A == 0 && t.B == 0 || p <= 0.002 || p >= 0.998 {
		return p
	}
	return logistic(t.A + (1+t.B)*logit(p))
}

// learn takes in one settled chance, by a step of online Laplace approximation.
func (t *Calibration) learn(p, came float64) {
	x := logit(p)
	q := logistic(t.A + (1+t.B)*x)
	info := q * (1 - q) * tuneWeight
	t.HA += info
	t.HB += info * x * x
	t.A += (tuneWeight * (came - q)) / (tunePriorA + t.HA)
	t.B += (tuneWeight * (came - q) * x) / (tunePriorB + t.HB)
	t.A = max(-1, min(1, t.A))
	t.B = max(-0.5, min(0.5, t.B))
}

// keepEvery is how far apart the looks are that are kept to be scored.
const keepEvery = 24 * time.Hour

// Record takes an outlook into the ledger. It is to be called once for each outlook that
// [Model.Project] made; a look a day is kept for scoring, at about the same hour.
func (m Model) Record(s State, o Outlook) State {
	l := &s.Ledger
	now := o.At.Unix()
	l.settle(s.Last.Wall, s.Cutoff.LastAt, s.Load.Level > 0)
	if l.Last > 0 && now > l.Last && now-l.Last < 86400 {
		l.Years += float64(now-l.Last) / (365.25 * 86400)
	}
	l.watch(now, o.Cutoff.Within[warnSpan], &s.Cutoff)
	l.Last = now
	newest := l.Kept[(l.Next+len(l.Kept)-1)%len(l.Kept)].At
	if s.Cutoff.Dark || now-newest < int64(keepEvery.Seconds()) || now-s.Last.Wall > int64(longestSpan.Seconds()) {
		return s
	}
	l.Kept[l.Next] = PendingLook{At: now, P: o.Raw, Said: o.Cutoff.Within}
	l.Next = (l.Next + 1) % len(l.Kept)
	return s
}

// settle scores the kept looks whose outcome is known. A look whose time ended in a silence
// waits until it was heard what the silence was.
func (l *Ledger) settle(heard, lastCut int64, watched bool) {
	for i := range l.Kept {
		k := &l.Kept[i]
		if k.At == 0 || !watched {
			continue
		}
		for j, within := range Withins() {
			end := k.At + int64(within)*3600
			came := lastCut > k.At && lastCut <= end
			if k.Settled[j] || !came && heard < end {
				continue
			}
			k.Settled[j] = true
			l.Scores[j].add(k.said(j), came)
			l.Tune.learn(k.P[j], oneIf(came))
		}
	}
}

// said is the chance that was told. A look that an older version kept has but the one.
func (k *PendingLook) said(span int) float64 {
	if k.Said == [5]float64{} {
		return k.P[span]
	}
	return k.Said[span]
}

func oneIf(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

func (s *Score) add(p float64, came bool) {
	c := oneIf(came)
	s.N++
	s.Came += c
	s.Brier += (p - c) * (p - c)
	b := &s.Bins[min(9, int(p*10))]
	b.N++
	b.P += p
	b.Came += c
}

// watch runs the alarms that each threshold would have given.
func (l *Ledger) watch(now int64, p float64, c *Cutoff) {
	cut := c.LastAt > l.Cut && l.Last > 0
	l.Cut = c.LastAt
	if cut {
		l.Leads[l.NLeads%len(l.Leads)] = 0
		if w := &l.Watch[4]; w.On && w.Since <= c.LastAt {
			l.Leads[l.NLeads%len(l.Leads)] = float64(c.LastAt-w.Since) / 3600
		}
		l.NLeads++
	}
	for k := range l.Watch {
		w := &l.Watch[k]
		w.Hit = w.Hit || w.On && cut
		switch {
		case !w.On && p >= threshold(k):
			w.On, w.Since, w.Hit = true, now, c.Dark
		case w.On && p < threshold(k)*release && !c.Dark:
			if w.Hit {
				w.True++
			} else {
				w.False++
			}
			w.On = false
		}
	}
}

// usualFalse is how many false alarms a year each threshold gave in the study of alarms, on
// a node with about three outages a year and no forecast (the ends are drawn on by eye). It
// counts as two years of watching.
func usualFalse() [numBudgets]float64 {
	return [numBudgets]float64{4, 3, 2.5, 2.1, 1.4, 0.85, 0.6, 0.27, 0.12}
}

// ThresholdFor is the lowest chance within 120 h to warn at that keeps false alarms within
// a budget a year, by this site's own record; never above 0.9.
func (l *Ledger) ThresholdFor(falseAYear float64) float64 {
	usual := usualFalse()
	for k := range l.Watch {
		if (l.Watch[k].False+2*usual[k])/(l.Years+2) <= falseAYear {
			return threshold(k)
		}
	}
	return threshold(numBudgets - 1)
}
