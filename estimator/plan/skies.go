package plan

import (
	"math"
	"math/rand/v2"

	"ebbwatch/estimator/sky"
)

// skies draws the scores of consecutive days by the process of package sky.
type skies struct{ p sky.Process }

func startSkies(site, siteSD float64) skies {
	p := sky.Begin(siteSD)
	p.X[2] = site
	return skies{p}
}

// next is the score of the next day; season is 1 in the middle of winter, -1 in summer.
func (s *skies) next(season float64, rng *rand.Rand) float64 {
	s.p.Season = season
	mean, variance := s.p.Score()
	z := mean + math.Sqrt(max(0, variance))*rng.NormFloat64()
	s.p = s.p.See(z, 0).Next()
	return z
}

// The darkest days of a month are the brighter the more sun it has: at a mean clearness of
// 0.28 the darkest reach 0.04, at 0.45 more than twice that. The published spread has 0.05
// for all, and so draws too many very dark days in autumn and spring. Fitted to the darker
// half of the days of one station (52.75 N, every month); at three others (53.4 N; 40.7 N
// and 36.6 N in America, one year each), which it was not fitted to, the error of the dark
// quantiles falls as well: from 25, 28 and 18 % with 0.05 to 12, 17 and 17 %.
const (
	darkest, darkestMost   = 0.0425, 0.10 // clearness
	darkestAt, darkestRise = 0.28, 0.4
)

// lifted is the published spread of the days between bounds of our own: the density of
// [sky.Marginal], moved and stretched so that the lower bound is right and the mean stays.
type lifted struct {
	Mean        float64
	from        sky.Marginal
	shift, gain float64
}

// lift moves the lower bound of a spread.
func lift(m sky.Marginal) lifted {
	low := max(0.04, min(darkestMost, darkest+darkestRise*(m.Mean-darkestAt)))
	low = min(low, m.Mean/2)
	part := (m.Max - m.Mean) / (m.Max - low) // of the range lies above the mean
	from := m
	for range 3 { // its upper bound moves a little with its mean
		from = sky.Spread(from.Max - part*(from.Max-from.Min))
	}
	gain := (m.Max - low) / (from.Max - from.Min)
	return lifted{Mean: m.Mean, from: from, gain: gain, shift: low - gain*from.Min}
}

// Clearness is that of a day with a score.
func (l *lifted) Clearness(score float64) float64 { return l.shift + l.gain*l.from.Clearness(score) }

// Score is that of a day with a clearness.
func (l *lifted) Score(kt float64) float64 { return l.from.Score((kt - l.shift) / l.gain) }
