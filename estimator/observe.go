package estimator

import (
	"math"
	"time"
)

// observe takes what the voltage says.
func (m Model) observe(s *State, f flow, dt time.Duration) {
	hours := min(dt.Hours(), 0.35)
	s.SinceFull += dt
	s.SinceAnchor += dt.Hours()
	s.Lowest = min(s.Lowest, s.Mean[iCharge]+s.sd(iCharge))
	m.bounds(s)
	s.clamp()
	if !f.voltsKnown {
		s.Full, s.Held, s.Floating = false, 0, 0
		return
	}
	m.smooth(s, f, hours)
	m.full(s, f, hours)
	m.floating(s, f, hours)
	m.look(s, f)
}

// smooth keeps means over some ten minutes and counts the quiet hours since charging.
func (m Model) smooth(s *State, f flow, hours float64) {
	w := 1.0
	if s.Flow.VoltsKnown && s.Volts > 0 && (!s.Broken || s.Settled > 0) {
		w = 1 - math.Exp(-hours/0.15)
		if d := math.Abs(f.volts - s.Flow.Volts); d > 1e-4 && (s.VoltStep == 0 || d < s.VoltStep) {
			s.VoltStep = d
		}
	}
	s.Volts += w * (f.volts - s.Volts)
	s.Amps += w * (f.net() - s.Mean[iDrain] - s.Amps)
	if f.inKnown && f.net() < m.Battery.CapacityAh/300 {
		s.Quiet += hours
	} else {
		s.Quiet = 0
	}
}

// bounds knows that no battery holds more than all, nor less than nothing: charge counted
// past full says that less went in than was counted. It counts once for each charge that
// leads there; likewise at the bottom.
func (m Model) bounds(s *State) {
	sd, x := s.sd(iCharge), s.Mean[iCharge]
	switch {
	case sd > 0.012 && x+sd > 1 && s.Topped > sd/2:
		s.Topped = 0
		s.weigh(cellHeld|sizeHeld, func(x float64) float64 { return inside(1 - x) })
	case sd > 0.012 && x < sd && s.Drawn > sd/2:
		s.Drawn = 0
		s.weigh(cellHeld|sizeHeld|1<<iDrain|1<<iNight|1<<iGain, inside)
	}
}

// inside is 1 above zero and falls off quickly below.
func inside(x float64) float64 {
	below := min(x, 0) / 0.008
	return math.Exp(-below * below / 2)
}

// full holds when the battery stood at absorption voltage while the current tapered.
func (m Model) full(s *State, f flow, hours float64) {
	cells, c := m.cells(), m.Battery.CapacityAh
	cell, net := f.volts/cells, f.net()-s.Mean[iDrain]
	rest := cell - slowOhms*m.ohms(s)*max(net, 0)/cells
	both := f.inKnown && f.outKnown
	if cell < 3.41 || both && (net > c/16 || net < -c/50 || rest < 3.36) || !both && !f.inKnown && cell < 3.43 {
		s.Held, s.Full = 0, false
		return
	}
	s.Held += hours
	need, spread := 0.25, 0.0
	if !both {
		need, spread, net = 1.5, 0.02, c/40
	}
	if s.Full = s.Held >= need; !s.Full {
		return
	}
	s.SinceFull, s.FullSeen = 0, true
	rate := max(net/c, 0)
	if s.Anchored && s.Held > need+hours && rate > 0.7*s.AnchorRate && s.SinceAnchor < 2 {
		return
	}
	s.AnchorRate = rate
	left := 0.3 * rate
	m.anchor(s, 1-left, math.Sqrt(spread*spread+0.004*0.004+0.25*left*left))
}

// anchor sets the charge at a full of which some may be missing.
func (m Model) anchor(s *State, x, spread float64) {
	var slope [unknowns]float64
	slope[iCharge], slope[iTop] = 1, 1
	surprise := x - s.Mean[iCharge] - s.Mean[iTop]
	total := s.Cov[iCharge][iCharge] + 2*s.Cov[iCharge][iTop] + s.Cov[iTop][iTop] + spread*spread
	if over := surprise*surprise - 9*total; over > 0 {
		m.doubt(s, math.Sqrt(over))
	}
	hold := cellHeld
	if s.Lowest > deepSwing {
		hold |= sizeHeld
		if s.Rough < 0.02 {
			hold |= 1 << iGain
		}
	}
	s.Gauss.observe(&slope, surprise, spread*spread, hold)
	s.Lowest = 1
	s.Anchored, s.SinceAnchor, s.Topped = true, 0, 0
}

// doubt opens the belief again after a surprise that it had thought impossible: the charge
// jumped, or what leaves unmeasured changed.
func (m Model) doubt(s *State, off float64) {
	s.widen(iCharge, off*off/4)
	drain := off / 2 * m.Battery.CapacityAh / max(s.SinceAnchor, 24)
	s.widen(iDrain, min(drain*drain, 0.01))
}

// floating takes a long hold above any resting voltage with next to no current: nearly
// full, though not how nearly.
func (m Model) floating(s *State, f flow, hours float64) {
	cell, net := f.volts/m.cells(), f.net()-s.Mean[iDrain]
	if cell < 3.35 || cell >= 3.41 || !f.inKnown || !f.outKnown || math.Abs(net) > m.Battery.CapacityAh/60 {
		s.Floating = 0
		return
	}
	if s.Floating += hours; s.Floating < 1.5 {
		return
	}
	s.Floating = -4.5
	s.weigh(cellHeld|sizeHeld, func(x float64) float64 { return 0.5*math.Erfc((0.955-x)/0.015/math.Sqrt2) + 1e-4 })
}
