package battery

import "math"

// points is the number of charges at which something is looked at, over four standard
// deviations to either side.
const points = 33

// point is the k-th of them for a mean and a spread, and its weight.
func point(k int, mean, sd float64) (x, weight float64) {
	z := (float64(k)/(points-1) - 0.5) * 8
	return mean + z*sd, math.Exp(-z * z / 2)
}

// ocvObservation is one look at a voltage.
type ocvObservation struct {
	volts  float64 // a cell, freed of the drop over the resistance
	branch float64 // -1 to 1
	white  float64 // variance of the look itself, V²
}

// steepVolts is from which slope of the curve, V for a whole charge, a voltage alone tells
// the charge.
const steepVolts = 0.5

// observeVoltage takes a voltage. The curve is bent, so a straight line stands for it. On the steep foot
// that is its tangent where the voltage meets it. On the plateau it is the line that fits
// best, with the misfit as noise, where the charge is likely to be after the look; that is
// found by going round three times: the posterior linearisation filter of García-Fernández,
// Svensson, Morelande and Särkkä (2015).
func (g *Gauss) observeVoltage(v ocvObservation, h considered) {
	if l := tangent(v.volts - v.branch*g.Mean[iHysteresis]); l.at < 0.2 && l.slope[iCharge] > steepVolts {
		g.observeLine(v, l, h)
		return
	}
	before := *g
	for range 3 {
		l := linearize(g.Mean[iCharge], g.sd(iCharge))
		*g = before
		g.observeLine(v, l, h)
	}
}

// observeLine is the update by a voltage when a line stands for the curve.
func (g *Gauss) observeLine(v ocvObservation, l line, h considered) {
	l.slope[iHysteresis] = v.branch
	off := v.volts - l.volts - l.slope[iCharge]*(g.Mean[iCharge]-l.at)
	for j := iHysteresis; j < unknowns; j++ {
		off -= l.slope[j] * g.Mean[j]
	}
	total, a := v.white+l.misfit, l.slope[iCharge]
	if a > steepVolts && off*off > 9*(g.spread(&l.slope)+total) {
		g.widen(iCharge, min(off*off/a/a/4, 0.04)) // on the steep foot the belief was wrong
	}
	// elsewhere a surprise beyond three standard deviations is worth no more than one of three
	if s := g.spread(&l.slope) + total; off*off > 9*s {
		total += off*off/9 - s
	}
	g.OCVSurprise += (min(off*off/(g.spread(&l.slope)+total), 9) - g.OCVSurprise) / surpriseObservations
	g.observe(&l.slope, off, total, h)
}

// tangent is the tangent at the charge where the curve has a voltage.
func tangent(volts float64) line {
	low := ChargeAt(volts)
	l := line{at: low}
	var steep float64
	l.volts, steep = OCV(low)
	k, share := knot(low)
	l.slope[iCharge], l.slope[iKneeShift] = steep, steep*kneeShare(low)
	l.slope[k], l.slope[k+1] = 1-share, share
	return l
}

// line is the curve made straight about a charge.
type line struct {
	at, volts float64
	slope     [unknowns]float64
	misfit    float64 // V²
}

// linearize makes the curve straight over a normal distribution of the charge.
func linearize(mean, sd float64) line {
	l := line{at: mean}
	var sum, vv, xv, xx float64
	for k := range points {
		x, w := point(k, mean, sd)
		inside := min(max(x, 0), 1)
		v, steep := OCV(inside)
		low, share := knot(inside)
		sum += w
		l.volts += w * v
		l.slope[low] += w * (1 - share)
		l.slope[low+1] += w * share
		l.slope[iKneeShift] += w * steep * kneeShare(inside)
		xv += w * (x - mean) * v
		xx += w * (x - mean) * (x - mean)
		vv += w * v * v
	}
	l.volts /= sum
	for j := iKneeShift; j < unknowns; j++ {
		l.slope[j] /= sum
	}
	l.slope[iCharge] = xv / max(xx, 1e-12)
	l.misfit = max(vv/sum-l.volts*l.volts-l.slope[iCharge]*xv/sum, 0)
	return l
}

// kneeShare says how much of the shift of the curve's foot is felt at a charge: none above
// the foot, and little at the very end, where every cell is empty.
func kneeShare(x float64) float64 {
	return min(max((0.25-x)/0.15, 0), 1) * min(0.35+x/0.1, 1)
}

// knot is the knot below a charge, and the share of the one above.
func knot(x float64) (low int, share float64) {
	at := min(max(x, 0), 1) * (knots - 1)
	k := min(int(at), knots-2)
	return iCurveError + k, at - float64(k)
}
