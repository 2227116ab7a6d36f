package sky

import "math"

// Marginal is the spread of the daily clearness index of one season: an exponential density
// between two bounds. Source: Bendt et al. 1981; the upper bound is that of Hollands &
// Huget 1983. The lower bound is 0.04, not their 0.05: measured winters go below it.
type Marginal struct {
	Mean     float64
	Min, Max float64
	g        float64
}

const lowest = 0.04

// Spread is the marginal for a mean clearness index. Means outside 0.08 to 0.80 are taken
// as the nearest of these: no climate lies there.
func Spread(mean float64) Marginal {
	mean = max(0.08, min(0.80, mean))
	m := Marginal{Mean: mean, Min: lowest, Max: 0.6313 + 0.267*mean - 11.9*math.Pow(mean-0.75, 8)}
	m.Max = max(m.Max, mean+0.05)
	m.g = solveShape(m.Min, m.Max, mean)
	return m
}

// solveShape finds the exponent that conserves the mean. The published explicit form drifts
// by up to 0.002 and is singular where the density is flat.
func solveShape(lo, hi, mean float64) float64 {
	a, b := -80.0, 80.0
	for range 60 {
		g := (a + b) / 2
		if shapeMean(g, lo, hi) < mean {
			a = g
		} else {
			b = g
		}
	}
	return (a + b) / 2
}

// shapeMean is the mean of a density proportional to e^(g k) between two bounds.
func shapeMean(g, lo, hi float64) float64 {
	w := hi - lo
	x := g * w
	if math.Abs(x) < 1e-3 {
		return lo + w*(0.5+x/12)
	}
	return lo + w*(1/(1-math.Exp(-x))-1/x)
}

// Quantile is the clearness that a share p of the days does not reach.
func (m Marginal) Quantile(p float64) float64 {
	w := m.Max - m.Min
	x := m.g * w
	if math.Abs(x) < 1e-6 {
		return m.Min + p*w
	}
	return max(m.Min, min(m.Max, m.Max+math.Log(p+(1-p)*math.Exp(-x))/m.g))
}

// Below is the share of days that stay below a clearness.
func (m Marginal) Below(kt float64) float64 {
	w := m.Max - m.Min
	u := max(0, min(1, (kt-m.Min)/w))
	x := m.g * w
	if math.Abs(x) < 1e-6 {
		return u
	}
	return math.Expm1(x*u) / math.Expm1(x)
}

// scoreBound keeps the score of a day at or beyond the bounds of the marginal finite.
const scoreBound = 2.6

// Score is the standard normal score of a day's clearness, within ±2.6.
func (m Marginal) Score(kt float64) float64 {
	return max(-scoreBound, min(scoreBound, Probit(m.Below(kt))))
}

// Clearness is the clearness of a day with a score.
func (m Marginal) Clearness(score float64) float64 { return m.Quantile(Phi(score)) }

// Phi is the standard normal distribution.
func Phi(z float64) float64 { return 0.5 * math.Erfc(-z/math.Sqrt2) }

// Probit is the inverse of [Phi]; it is ±8 at and beyond the ends.
func Probit(p float64) float64 {
	return max(-8, min(8, math.Sqrt2*math.Erfinv(2*max(0, min(1, p))-1)))
}

// Density of a day's clearness. Beyond the bounds it falls off softly: what was measured is
// not exact.
func (m Marginal) Density(kt float64) float64 {
	w := m.Max - m.Min
	k := max(m.Min, min(m.Max, kt))
	x := m.g * w
	d := 1 / w
	if math.Abs(x) > 1e-6 {
		d = m.g * math.Exp(m.g*(k-m.Min)) / math.Expm1(x)
	}
	off := (kt - k) / 0.03
	return d * math.Exp(-off*off/2)
}
