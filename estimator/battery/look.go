package battery

import "math"

// look compares the voltage at rest or under a small load with the open-circuit curve,
// every six hours, oftener where the curve is steep.
func (m Model) look(s *State, f flow) {
	v, hold, ok := m.sight(s, f)
	if !ok {
		return
	}
	if s.Broken && s.SinceLook > 0.5 && s.strange(v) {
		*s = m.Replaced(*s)
	}
	s.SinceLook, s.Moved, s.Broken = 0, 0, false
	s.see(v, hold)
}

// sight says whether the voltage is worth a look now, what it shows, and what it may not
// teach.
func (m Model) sight(s *State, f flow) (v sight, hold held, ok bool) {
	cells := m.cells()
	cell := s.Volts / cells
	sag := -s.Amps * slowOhms * m.ohms(s) * lowOhms(s.Mean[iCharge]) / cells
	every, least, move := 6.0, 0.5, lookMove
	switch {
	case cell+sag < lowBelow:
		every, least, move = 0.25, 0.03, lookMove/3
	case cell+sag < steepBelow:
		every, least = 0.5, 0.25
	}
	due := s.SinceLook >= every || s.Broken || s.Moved > move
	settled := math.Abs(sag) < 0.04 || sag > 0 && (sag < 0.12 && cell+sag < steepBelow || cell+sag < lowBelow)
	charging := s.Quiet < 1
	switch {
	case !due, s.SinceLook < least, s.Broken && s.Settled < 0.25, !settled:
		return v, 0, false
	case cell > restMost, s.Mean[iCharge] > 0.9 && s.sd(iCharge) < 0.05:
		return v, 0, false // near full the curve tells nothing
	case f.outKnown && charging && cell > 3.25:
		return v, 0, false // charging bends the plateau
	case !f.outKnown && f.volts-s.Volts > 0.001*cells:
		return v, 0, false // perhaps charging
	}
	unsure := 0.006 * (1 - math.Abs(s.Branch))
	branch := s.Branch
	switch {
	case !f.outKnown:
		sag, branch = m.guess()*m.ohms(s)/cells, -0.5
		unsure += 0.012
	case charging:
		unsure += 0.01
	}
	step := s.VoltStep / cells
	vague := 0.4 + 0.5*m.unlearned(s)
	if !s.CelsiusSet {
		vague += 0.25
	}
	hold = cellHeld
	if !s.Anchored || cell > 3.30 || s.SinceAnchor > knownDrain || !f.outKnown {
		hold |= sizeHeld | 1<<iGain
	}
	if hold |= 1 << iNight; cell < deadVolts {
		hold |= sizeHeld | 1<<iDrain | 1<<iGain // what would drain an empty battery gets nothing
	}
	white := lookVolts*lookVolts + vague*vague*sag*sag + unsure*unsure + step*step/12
	return sight{volts: cell + sag, branch: branch, white: white}, hold, true
}

// Voltages of a cell, V: below the first the curve is steep, below the second nearly
// empty, above the third no cell rests.
const (
	steepBelow = 3.20
	lowBelow   = 3.10
	restMost   = 3.345
)

// lookMove is how much charge may move before the next look is due.
const lookMove = 0.05

// strange tells whether a voltage after a silence belongs to a charge far from all that the
// belief allows: then this is another battery.
func (s *State) strange(v sight) bool {
	const oddVolts, far = 0.045, 0.15
	rest := v.volts - v.branch*s.Mean[iBranch]
	reach := 6*s.sd(iCharge) + far
	low, _ := ocv(max(s.Mean[iCharge]-reach, 0))
	high, _ := ocv(min(s.Mean[iCharge]+reach, 1))
	return rest < low-oddVolts || rest > high+oddVolts
}

// What no measurement but the right one may teach: how the cell departs from the usual
// cell, and how large it is.
const (
	cellHeld = held(1<<iTop | 1<<iBranch | 1<<iFoot | (1<<knots-1)<<iCurve)
	sizeHeld = held(1<<iSize | 1<<iCold | 1<<iHide)
)
