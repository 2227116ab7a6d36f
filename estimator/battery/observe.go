package battery

import (
	"math"
	"time"
)

// observe takes what the voltage says.
func (m Model) observe(s *State, f flow, dt time.Duration) {
	hours := min(dt.Hours(), s.unseen().Hours())
	s.SinceFull += dt
	s.SinceAnchor += dt.Hours()
	s.LowestSinceFull = min(s.LowestSinceFull, s.Mean[iCharge]+s.sd(iCharge))
	m.bounds(s)
	s.clamp()
	if !f.voltsKnown {
		s.Floating = 0
		if s.Volts == 0 { // nothing ever told a voltage
			m.loadCut(s, f, hours)
			m.balancedFull(s, f, dt)
		}
		return
	}
	m.smoothVoltage(s, f, hours)
	m.full(s, f, dt)
	m.floating(s, f, hours)
	m.weighVoltage(s, f)
}

// smoothVoltage keeps means over some ten minutes and counts the quiet hours since charging.
func (m Model) smoothVoltage(s *State, f flow, hours float64) {
	w := 1.0
	if s.Flow.VoltsKnown && s.Volts > 0 && (!s.GapBeforeOCV || s.SinceGap > 0) {
		w = 1 - math.Exp(-hours/0.15)
		if d := math.Abs(f.volts - s.Flow.Volts); d > 1e-4 && (s.VoltStep == 0 || d < s.VoltStep) {
			s.VoltStep = d
		}
		if d := math.Abs(f.net() - s.Flow.In + s.Flow.Out); d > 1e-4 && (s.AmpStep == 0 || d < s.AmpStep) {
			s.AmpStep = d
		}
	}
	s.Volts += w * (f.volts - s.Volts)
	s.Amps += w * (f.net() - s.Mean[iDrain] - s.Amps)
	if s.charging(f, m) {
		s.SinceCharge = 0
	} else {
		s.SinceCharge += hours
	}
}

// charging tells whether current may flow in. Where no current is measured, only a dark
// panel or, failing that, a voltage that rests tells that none does.
func (s *State) charging(f flow, m Model) bool {
	switch {
	case f.inKnown:
		return f.net() >= m.Battery.CapacityAh/300
	case f.sunKnown:
		return f.sun
	}
	cells := m.cells()
	return f.volts-s.Volts > 0.001*cells || f.volts > restMost*cells
}

// bounds knows that no battery holds more than all, nor less than nothing: charge counted
// past full says that less went in than was counted. It counts once for each charge that
// leads there; likewise at the bottom.
func (m Model) bounds(s *State) {
	sd, x := s.sd(iCharge), s.Mean[iCharge]
	switch {
	case sd > 0.012 && x+sd > 1 && s.ChargedIn > sd/2:
		s.ChargedIn = 0
		consider := considerCell | considerSize
		if s.Volts == 0 && !(s.Anchored && s.SinceAnchor < atLargeAfter) { // nothing tells the other way
			consider |= 1<<iDrain | 1<<iNightDrain | 1<<iChargeGain
		}
		was := s.Cov[iCharge][iCharge]
		s.weigh(consider, func(x float64) float64 { return inside(1 - x) })
		if s.sd(iLogCapacity) > learnedSD && s.Volts > 0 { // as likely it is larger than told
			s.widen(iCharge, max(was-s.Cov[iCharge][iCharge], 0))
		}
	case sd > 0.012 && x < sd && s.DrawnOut > sd/2:
		s.DrawnOut = 0
		consider := considerCell | 1<<iDrain | 1<<iNightDrain | 1<<iChargeGain
		if !s.Anchored || s.SinceAnchor > kneeHours || s.Volts == 0 {
			consider |= considerSize
		}
		s.weigh(consider, inside)
	}
}

// inside is 1 above zero and falls off quickly below.
func inside(x float64) float64 {
	below := min(x, 0) / 0.008
	return math.Exp(-below * below / 2)
}

// A battery that rests in its charger's hands at floatVolts a cell is nearly full; each volt less
// may leave floatSlope of its charge open, since the curve is flat below.
const (
	floatVolts  = 3.365
	floatCharge = 0.955
	floatSlope  = 8.0 // 1/V
	floatSpread = 0.015
)

// floating takes a long hold above any resting voltage with next to no current. It tells the
// charge as far as its voltage does, with what the voltmeter may add and its steps taken off; and
// a battery that takes nothing because it may not stands there too. What errs is the same the
// whole time, so it narrows the belief to no less than its own spread, however often it is seen.
func (m Model) floating(s *State, f flow, hours float64) {
	cell, net := f.volts/m.cells(), f.net()-s.Mean[iDrain]
	if cell < 3.35 || cell >= fullVolts || !f.inKnown || !f.outKnown || math.Abs(net) > m.Battery.CapacityAh/200 {
		s.Floating = min(s.Floating+hours, 0)
		return
	}
	if s.Floating += hours; s.Floating < 1.5 || s.sd(iCharge) < floatSpread {
		return
	}
	s.Floating = -4.5
	short := floatVolts - (cell - s.Mean[iMeter] - s.sd(iMeter) - s.VoltStep/m.cells()/2)
	least := floatCharge - floatSlope*max(short, 0)
	refused := s.refusing()
	if s.RecentIn > flowedIn {
		refused /= 10
	}
	s.weigh(considerCell|considerSize, func(x float64) float64 {
		return ((1-refused)*0.5*math.Erfc((least-x)/floatSpread/math.Sqrt2) + refused) * inside(1-x)
	})
}
