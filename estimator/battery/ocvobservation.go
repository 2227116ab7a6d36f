package battery

import "math"

// weighVoltage compares the voltage at rest or under a small load with the open-circuit curve,
// every six hours, oftener where the curve is steep.
func (m Model) weighVoltage(s *State, f flow) {
	v, consider, ok := m.ocvObservation(s, f)
	if !ok {
		return
	}
	if s.GapBeforeOCV && s.SinceOCV > 0.5 && s.impossible(v) {
		*s = m.Replaced(*s)
	}
	s.SinceOCV, s.MovedSinceOCV, s.GapBeforeOCV = 0, 0, false
	s.observeVoltage(v, consider)
}

// ocvObservation says whether the voltage is worth a look now, what it shows, and what it may not
// teach.
func (m Model) ocvObservation(s *State, f flow) (v ocvObservation, consider considered, ok bool) {
	cells := m.cells()
	cell := s.Volts / cells
	sag := -s.Amps * slowOhms * m.ohms(s) * lowOhms(s.Mean[iCharge]) / cells
	every, least, move := 6.0, 0.5, ocvMove
	switch {
	case cell+sag < lowBelow:
		every, least, move = 0.25, 0.03, ocvMove/3
	case cell+sag < steepBelow:
		every, least = 0.5, 0.25
	}
	due := s.SinceOCV >= every || s.GapBeforeOCV || s.MovedSinceOCV > move
	settled := math.Abs(sag) < 0.04 || sag > 0 && (sag < 0.12 && cell+sag < steepBelow || cell+sag < lowBelow)
	charging := s.SinceCharge < 1
	switch {
	case !due, s.SinceOCV < least, s.GapBeforeOCV && s.SinceGap < 0.25, !settled:
		return v, 0, false
	case cell > restMost, !f.outKnown && s.Mean[iCharge] > 0.9 && s.sd(iCharge) < 0.05:
		return v, 0, false // no cell rests there; or nobody knows whether this one does
	case f.inKnown && f.outKnown && f.net() > -min(m.Battery.CapacityAh/500, s.Out.usual(m.guess())/4) && (cell > idleMost || s.GapBeforeOCV && cell > 3.25):
		return v, 0, false // a battery that feeds nothing may not be what stands at this voltage: its charger may
	case charging && cell > 3.25:
		return v, 0, false // charging bends the plateau
	case !f.outKnown && f.volts-s.Volts > 0.001*cells:
		return v, 0, false // perhaps charging
	case cell > 3.25 && (f.sun && f.inKnown && f.net() > -m.Battery.CapacityAh/300 || math.Abs(f.volts-s.Volts) > max(unsteadyVolts*cells, s.VoltStep)):
		return v, 0, false // the charger's voltage, which a battery that takes nothing has nothing to do with
	}
	unsure := 0.006 * (1 - math.Abs(s.Hysteresis))
	branch := s.Hysteresis
	switch {
	case !f.outKnown:
		sag, branch = m.guess()*m.ohms(s)/cells, -0.5
		unsure += 0.012
	case charging:
		unsure += 0.01
	}
	if s.Mean[iCharge] > 0.9 {
		unsure += topVolts
	}
	step := s.VoltStep / cells
	vague := 0.4 + 0.5*m.ohmsUnlearned(s)
	if !s.CelsiusSet {
		vague += 0.25
	}
	consider = considerCell
	recent := s.Anchored && s.SinceAnchor < kneeHours
	if cell > 3.30 || !recent || !f.outKnown {
		consider |= 1 << iChargeGain
	}
	if doubted := s.sd(iLogCapacity) > doubtedSD; cell > 3.30 || !recent && !(doubted && s.sd(iCharge) < knownCharge) || !f.outKnown {
		consider |= considerSize
	}
	if !f.outKnown || !recent {
		consider |= 1 << iMeter // a charge that was not counted from a full tells nothing of it
	}
	if consider |= 1 << iNightDrain; cell < lowBelow {
		consider |= 1<<iDrain | 1<<iChargeGain // how far the foot is off would be taken for a drain
	}
	if cell < deadVolts {
		consider |= considerSize
	}
	if s.MovedSinceOCV < idleMove {
		consider |= considerSize | 1<<iDrain | 1<<iChargeGain
	}
	white := ocvNoiseVolts*ocvNoiseVolts + vague*vague*sag*sag + unsure*unsure + step*step/12
	v = ocvObservation{volts: cell + sag, branch: branch, white: white}
	if cells > 1 {
		v.uneven = unevenCells
	}
	return v, consider, true
}

// Voltages of a cell, V: below the first the curve is steep, below the second nearly
// empty, above the third no cell rests.
const (
	steepBelow = 3.20
	lowBelow   = 3.10
	restMost   = 3.345
	idleMost   = 3.30 // with no current either way
)

// unsteadyVolts is by how much, V a cell, a voltage may differ from the mean of the last minutes
// and still be one at rest.
const unsteadyVolts = 0.015

// A capacity that was doubted, by this relative spread, may be judged where no full was seen for
// long too, once the charge is known so well: a node that lives between its knee and half of its
// charge never is full.
const (
	doubtedSD   = 0.2
	knownCharge = 0.08
)

// topVolts is by how much more cells differ near full, V: curves differ more there than they
// agree, and what was charged last takes hours to settle.
const topVolts = 0.010

// unevenCells is by how much less the emptiest cell of a pack holds than the mean one whose voltage
// is seen at the foot, and the spread of that: packs are matched to about a per-cent (common
// practice), and the emptiest cell ends the discharge.
const unevenCells = 0.01

// idleMove is how little charge moves between two looks that are the same look again: all that errs is the
// same, and neither the battery's size nor a drain shows in it.
const idleMove = 0.006

// ocvMove is how much charge may move before the next look is due.
const ocvMove = 0.05

// impossible tells whether a voltage after a silence belongs to a charge far from all that the
// belief allows: then this is another battery.
func (s *State) impossible(v ocvObservation) bool {
	const oddVolts, far = 0.045, 0.15
	rest := v.volts - v.branch*s.Mean[iHysteresis] - s.Mean[iMeter]
	reach := 6*s.sd(iCharge) + far
	low, _ := OCV(max(s.Mean[iCharge]-reach, 0))
	high, _ := OCV(min(s.Mean[iCharge]+reach, 1))
	return rest < low-oddVolts || rest > high+oddVolts
}

// What no measurement but the right one may teach: how the cell departs from the usual
// cell, and how large it is.
const (
	considerCell = considered(1<<iFullShortfall | 1<<iHysteresis | 1<<iKneeShift | (1<<knots-1)<<iCurveError)
	considerSize = considered(1<<iLogCapacity | 1<<iColdLoss | 1<<iColdShare)
)
