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
	uneven float64 // by how much less the emptiest cell holds than the mean one that is seen
}

// steepVolts is from which slope of the curve, V for a whole charge, a voltage alone tells
// the charge.
const steepVolts = 0.5

// observeVoltage takes a voltage. The curve is bent, so a straight line stands for it. On the
// steep foot that is its tangent where the voltage meets it. On the plateau it is the line that
// fits best, with the misfit as noise, where the charge is likely to be after the look; that is
// found by going round three times: the posterior linearisation filter of García-Fernández,
// Svensson, Morelande and Särkkä (2015). A voltage that surprises may also mean that the charge
// is lost; what is believed then is the mixture of both.
func (g *Gauss) observeVoltage(v ocvObservation, h considered) {
	if l := tangent(v.volts - v.branch*g.Mean[iHysteresis] - g.Mean[iMeter]); l.at < 0.2 && l.slope[iCharge] > steepVolts {
		l.at = max(l.at-v.uneven, 0)
		v.white += sq(l.slope[iCharge] * v.uneven)
		g.observeLine(v, l, h)
		return
	}
	lost, odds := g.lost(v)
	before := *g
	for range 3 {
		l := linearize(g.Mean[iCharge], g.sd(iCharge))
		*g = before
		g.observeLine(v, l, h)
	}
	if odds > 0 {
		g.mixture(&lost, 1-odds)
	}
}

// off is how far a voltage lies above what a line makes likely, V, and the variance of that.
func (g *Gauss) off(v ocvObservation, l *line) (off, variance float64) {
	l.slope[iHysteresis] = v.branch
	off = v.volts - l.volts - l.slope[iCharge]*(g.Mean[iCharge]-l.at)
	for j := iHysteresis; j < unknowns; j++ {
		off -= l.slope[j] * g.Mean[j]
	}
	return off, g.spread(&l.slope) + v.white + l.misfit
}

// lostChance is how likely it is, at any look, that the charge went where no equation here tells
// of; and lostFrom from how many standard deviations on a surprise is worth asking.
const (
	lostChance = 0.005
	lostFrom   = 2.5
)

// lost is what a voltage alone tells of the charge when all that was counted is worth nothing,
// and how likely that is. The errors that all looks share are in both cases the same.
func (g *Gauss) lost(v ocvObservation) (other Gauss, odds float64) {
	l := linearize(g.Mean[iCharge], g.sd(iCharge))
	off, variance := g.off(v, &l)
	if off*off < lostFrom*lostFrom*variance {
		return other, 0
	}
	l.slope[iCharge] = 0
	noise := g.spread(&l.slope) + v.white
	const places = 40
	var sum, mean, square float64
	for k := range places {
		x := (float64(k) + 0.5) / places
		rest, _ := OCV(x)
		p := bell(v.volts-rest-v.branch*g.Mean[iHysteresis]-g.Mean[iMeter], noise)
		sum, mean, square = sum+p, mean+p*x, square+p*x*x
	}
	if sum < 1e-12 {
		return other, 0
	}
	mean /= sum
	other = *g
	other.set(iCharge, mean, math.Sqrt(square/sum-mean*mean+0.25/places/places))
	wrong := lostChance * sum / places
	return other, wrong / (wrong + (1-lostChance)*bell(off, variance))
}

// observeLine is the update by a voltage when a line stands for the curve.
func (g *Gauss) observeLine(v ocvObservation, l line, h considered) {
	off, variance := g.off(v, &l)
	if off*off > lostFrom*lostFrom*variance && h&considerSize == 0 {
		g.doubtCapacity(&l.slope, off, variance)
		off, variance = g.off(v, &l)
	}
	if a := l.slope[iCharge]; a > steepVolts && off*off > 9*variance {
		g.widen(iCharge, min(off*off/a/a/4, 0.04)) // on the steep foot the belief was wrong
	}
	// elsewhere a surprise beyond three standard deviations is worth no more than one of three
	total, own := v.white+l.misfit, g.spread(&l.slope)
	total = max(total, off*off/9-own)
	g.OCVSurprise += (min(off*off/(own+total), 9) - g.OCVSurprise) / surpriseObservations
	g.observe(&l.slope, off, total, h)
}

// oddCapacity is the widest that a capacity is doubted, relative: some batteries hold half of
// their label, and some banks twice what the file says.
const oddCapacity = 0.6

// doubtCapacity opens the capacity after a surprise, as far as that explains it, with all that
// the capacity has a part in.
func (g *Gauss) doubtCapacity(slope *[unknowns]float64, off, variance float64) {
	var with float64
	for j, a := range slope {
		with += a * g.Cov[j][iLogCapacity]
	}
	own := g.Cov[iLogCapacity][iLogCapacity]
	part := with * with / own
	if part < variance/100 {
		return
	}
	if times := min(1+(off*off-variance)/part, oddCapacity*oddCapacity/own); times > 1 {
		g.inflate(iLogCapacity, times)
	}
}

// tangent is the tangent at the charge where the curve has a voltage.
func tangent(volts float64) line {
	low := ChargeAt(volts)
	l := line{at: low}
	var steep float64
	l.volts, steep = OCV(low)
	k, share := knot(low)
	l.slope[iCharge], l.slope[iKneeShift] = steep, steep*kneeShare(low)
	l.slope[k], l.slope[k+1], l.slope[iMeter] = 1-share, share, 1
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
	for j := iKneeShift; j < iMeter; j++ {
		l.slope[j] /= sum
	}
	l.slope[iMeter] = 1
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
