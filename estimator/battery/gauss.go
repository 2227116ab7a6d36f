package battery

import "math"

// The unknowns of the filter.
const (
	iCharge        = iota                // charge, 0 to 1
	iDrain                               // A that leave unmeasured: sensor offset and unmetered load together
	iNightDrain                          // A by which that is more in the dark than by day
	iChargeGain                          // how much more charging counts than discharging, relative
	iLogCapacity                         // log of the capacity at 25 °C against the label
	iColdLoss                            // capacity lost per kelvin below 25 °C
	iColdShare                           // how much of what is short of full grows in the cold: 0 not, 1 as the capacity shrinks
	iFullShortfall                       // what is missing from 1 at a usual true full
	iHysteresis                          // half the distance of the charging and discharging branches, V a cell
	iKneeShift                           // by how much charge the foot of the open-circuit curve lies lower
	iCurveError                          // the first of the knots by which the open-circuit curve is off, V a cell
	iMeter         = iCurveError + knots // by how much the voltmeter reads high, V a cell
	unknowns       = iMeter + 1
)

// knots is the number of places, evenly from empty to full, at which the open-circuit
// curve of this battery is learned.
const knots = 9

// Gauss is a joint normal distribution over the unknowns.
type Gauss struct {
	Mean         [unknowns]float64
	Cov          [unknowns][unknowns]float64
	OCVSurprise  float64 `json:"Surprise"` // mean square of the newest looks' surprises, over that expected
	FullSurprise float64 `json:"Closing"`  // the same of the newest fulls
}

// surpriseObservations is over how many looks that mean goes.
const surpriseObservations = 60

func sq(x float64) float64 { return x * x }

// set makes one unknown independent of the others.
func (g *Gauss) set(k int, mean, sd float64) {
	for j := range unknowns {
		g.Cov[k][j], g.Cov[j][k] = 0, 0
	}
	g.Mean[k], g.Cov[k][k] = mean, sd*sd
}

// sd is the standard deviation of one unknown.
func (g *Gauss) sd(k int) float64 { return math.Sqrt(max(g.Cov[k][k], 0)) }

// widen adds variance to one unknown.
func (g *Gauss) widen(k int, variance float64) { g.Cov[k][k] += variance }

// inflate multiplies the variance of one unknown, and with it its part in that of all others, but
// for what cold does, which surprises nobody more than before.
func (g *Gauss) inflate(k int, times float64) {
	with := g.Cov[k]
	with[iColdLoss], with[iColdShare] = 0, 0
	for i := range with {
		for j := range with {
			g.Cov[i][j] += (times - 1) / with[k] * with[i] * with[j]
		}
	}
}

// shift moves the charge on by step, which depends on the unknowns with the given slopes.
func (g *Gauss) shift(step float64, slope *[unknowns]float64) {
	var cross [unknowns]float64
	for k, s := range slope {
		if s == 0 {
			continue
		}
		for j := range cross {
			cross[j] += s * g.Cov[k][j]
		}
	}
	own := 0.0
	for k, s := range slope {
		own += s * cross[k]
	}
	g.Mean[iCharge] += step
	g.Cov[iCharge][iCharge] += 2*cross[iCharge] + own
	for j := range cross {
		if j != iCharge {
			g.Cov[iCharge][j] += cross[j]
			g.Cov[j][iCharge] = g.Cov[iCharge][j]
		}
	}
}

// mixture is what is believed when the present belief holds with the chance share, and the
// other one else: a normal distribution of the same mean and spread as both together.
func (g *Gauss) mixture(other *Gauss, share float64) {
	var apart [unknowns]float64
	for j := range apart {
		apart[j] = g.Mean[j] - other.Mean[j]
		g.Mean[j] = other.Mean[j] + share*apart[j]
	}
	for j := range apart {
		for k := range apart {
			g.Cov[j][k] = share*g.Cov[j][k] + (1-share)*(other.Cov[j][k]+share*apart[j]*apart[k])
		}
	}
}

// relax lets an unknown forget: it returns towards rest by the factor keep, and its spread
// towards sd.
func (g *Gauss) relax(k int, keep, rest, sd float64) {
	g.Mean[k] = rest + keep*(g.Mean[k]-rest)
	for j := range unknowns {
		g.Cov[k][j] *= keep
		g.Cov[j][k] *= keep
	}
	g.Cov[k][k] += (1 - keep*keep) * sd * sd
}

// clamp keeps means where they can be.
func (g *Gauss) clamp() {
	g.Mean[iCharge] = min(max(g.Mean[iCharge], 0), 1)
	g.Mean[iColdLoss] = min(max(g.Mean[iColdLoss], 0), 0.012)
	g.Mean[iColdShare] = min(max(g.Mean[iColdShare], 0), 1)
	g.Mean[iLogCapacity] = min(max(g.Mean[iLogCapacity], -1.5), 0.7)
}

// correlateCurve says how the curve of a cell may depart from the usual one: as a whole by the
// voltmeter, and by bends that reach some way.
func (g *Gauss) correlateCurve() {
	for i := range knots {
		for j := range knots {
			d := float64(i-j) / (knots - 1) / curveReach
			g.Cov[iCurveError+i][iCurveError+j] = wholeVolts*wholeVolts + curveVolts*curveVolts*math.Exp(-d*d/2)
		}
	}
}

// considered is a set of unknowns, a bit each.
type considered uint32

// observe is a Kalman update: the sum of slope·unknowns was seen to be off the expected by
// surprise, with the given variance of the measurement itself. Held unknowns keep their
// mean and spread while their part in everybody's error stays accounted for: that is the
// filter of Schmidt (1966), for what a measurement depends on but is not fit to teach.
func (g *Gauss) observe(slope *[unknowns]float64, surprise, variance float64, h considered) {
	var cross [unknowns]float64
	total := variance
	for j := range cross {
		for k, s := range slope {
			cross[j] += s * g.Cov[k][j]
		}
		total += slope[j] * cross[j]
	}
	for j := range cross {
		fixed := h>>j&1 == 1
		if !fixed {
			g.Mean[j] += cross[j] * surprise / total
		}
		for k := range cross {
			if !fixed || h>>k&1 == 0 {
				g.Cov[j][k] -= cross[j] * cross[k] / total
			}
		}
	}
}

// weigh multiplies the belief by a likelihood of the charge alone: by the linear
// observation that would lead to the same mean and variance.
func (g *Gauss) weigh(h considered, like func(x float64) float64) {
	m, was := g.Mean[iCharge], g.Cov[iCharge][iCharge]
	var sum, sx, sxx float64
	for k := range points {
		x, w := point(k, m, g.sd(iCharge))
		w, d := like(x)*w, x-m
		sum += w
		sx += w * d
		sxx += w * d * d
	}
	if sum < 1e-30 {
		return
	}
	moved := sx / sum
	now := max(sxx/sum-moved*moved, was/100)
	if now > 0.999*was {
		return
	}
	var slope [unknowns]float64
	slope[iCharge] = 1
	noise := was * now / (was - now)
	g.observe(&slope, moved*(was+noise)/was, noise, h)
}

// spread is the variance of the sum of slope·unknowns.
func (g *Gauss) spread(slope *[unknowns]float64) float64 {
	v := 0.0
	for j, a := range slope {
		if a == 0 {
			continue
		}
		for k, b := range slope {
			v += a * b * g.Cov[j][k]
		}
	}
	return v
}
