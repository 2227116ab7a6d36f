package plan

import (
	"math"
	"math/rand/v2"

	"ebbwatch/estimator/sky"
)

// How one day's score follows another: a part that forgets within a day and one that
// forgets within the better half of a week, as in package sky, but the share of the slower
// one goes with the season: in the middle of winter weather passes faster than in summer.
// Fitted to 26 years at one station (52.75 N), to the variance of means over 2, 3, 5, 7, 10
// and 14 days against that of independent days: 1.21 1.38 1.48 1.58 1.63 1.64 from November
// to January, 1.45 1.67 2.10 2.30 2.50 2.65 from May to July.
const (
	fastStay, slowStay    = 0.18, 0.70
	slowShare, slowSeason = 0.25, 0.16 // of the variance; how far it swings with the season
	siteStay              = 0.998
)

// skies draws the scores of consecutive days. Fast and slow have variance 1 each, and so has
// the score but for the doubt about the site.
type skies struct {
	fast, slow, site, siteSD float64
}

func startSkies(site, siteSD float64, rng *rand.Rand) skies {
	return skies{fast: rng.NormFloat64(), slow: rng.NormFloat64(), site: site + siteSD*rng.NormFloat64(), siteSD: siteSD}
}

// next is the score of the next day; season is 1 in the middle of winter, -1 in summer.
func (s *skies) next(season float64, rng *rand.Rand) float64 {
	share := slowShare - slowSeason*season
	s.fast = fastStay*s.fast + math.Sqrt(1-fastStay*fastStay)*rng.NormFloat64()
	s.slow = slowStay*s.slow + math.Sqrt(1-slowStay*slowStay)*rng.NormFloat64()
	s.site = siteStay*s.site + s.siteSD*math.Sqrt(1-siteStay*siteStay)*rng.NormFloat64()
	return math.Sqrt(1-share)*s.fast + math.Sqrt(share)*s.slow + s.site
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
