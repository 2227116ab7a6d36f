package battery

import (
	"math"
	"time"
)

// full holds when the battery stood at absorption voltage while the current tapered, for a
// quarter of an hour that was seen: what happened in a gap or a restart does not count.
func (m Model) full(s *State, f flow, dt time.Duration) {
	c := m.Battery.CapacityAh
	cell, net := f.volts/m.cells(), f.net()-s.Mean[iDrain]
	both := f.inKnown && f.outKnown
	m.trackTaper(s, f, net, cell, dt)
	if cell < fullVolts || both && (net > c/16 || net < -c/50 || m.rest(s, cell, net, 1) < 3.36) || !both && !f.inKnown && cell < 3.43 {
		s.Held, s.Full = 0, false
		return
	}
	if s.Held += dt.Hours(); dt > s.unseen() {
		s.Held, s.HeldVolts = 0, 0
	}
	need, spread := 0.25, 0.0
	if !both {
		need, spread, net = 1.5, 0.02, c/40
	}
	if s.Full = s.Held >= need-1e-9; !s.Full {
		return
	}
	wrong, rate := m.falseFullChance(s, cell, net, both), max(net/c, 0)
	wrong = max(wrong, m.refusedChance(s, both))
	if s.Full = wrong < 1; !s.Full {
		return
	}
	if s.FullHours += dt.Hours(); rate >= 0.7*s.AnchorRate && (s.FullHours < 2 || wrong > doubtfulFull) {
		s.Full = s.FullAccepted
		if s.Full {
			s.SinceFull = 0
		}
		return
	}
	left := taperHours * rate
	spread = math.Sqrt(spread*spread + 0.004*0.004 + taperSpread*taperSpread*rate*rate)
	s.FullHours, s.AnchorRate = 0, rate
	s.FullAccepted = m.anchor(s, f, 1-left, spread, wrong)
	if s.Full = s.FullAccepted; s.Full {
		s.SinceFull, s.FullSeen = 0, true
	}
}

// doubtfulFull is the chance of being none from which on a full is weighed once: for as long as it
// is held, seeing it again says nothing new.
const doubtfulFull = 0.05

// What a full lacks while the current still tapers: so many hours of it, common practice
// for cells of some milliohms, with a wide spread because cells and leads differ.
const (
	fullVolts   = 3.41
	taperHours  = 0.35
	taperSpread = 0.3
)

// rest is the voltage of a cell freed of the drop over so many times the resistance.
func (m Model) rest(s *State, cell, net, times float64) float64 {
	return cell - times*slowOhms*m.ohms(s)*max(net, 0)/m.cells()
}

// trackTaper keeps the largest current since the voltage rose to that of absorption, and how far
// the voltage strayed since: a charger that holds a voltage lets the current fall below what
// the panel gave before, while that of clouds lets the voltage fall too.
func (m Model) trackTaper(s *State, f flow, net, cell float64, dt time.Duration) {
	if net > m.Battery.CapacityAh/100 && (s.Held > 0 || cell < fullVolts) {
		s.Jumped, s.Ceased = false, false // it takes charge again
	}
	if cell < fullVolts || dt > s.unseen() || s.Held == 0 {
		s.PeakAmps, s.HeldVolts, s.HeldDrift, s.AnchorRate = 0, f.volts, 0, 2
		if cell < fullVolts {
			return
		}
	}
	if s.Held == 0 {
		close := s.Flow.VoltsKnown && dt < 11*time.Minute
		s.HeldIn, s.Jumped = 0, s.Jumped || close && s.Flow.Volts < restMost*m.cells()
		s.Ceased = s.Ceased || close && s.Flow.In-s.Flow.Out > m.Battery.CapacityAh/40
	} else { // the first current may be older than the voltage
		s.HeldIn = max(s.HeldIn, net)
	}
	s.PeakAmps = max(s.PeakAmps, net, s.Flow.In-s.Flow.Out-s.Mean[iDrain])
	s.HeldDrift = max(s.HeldDrift, math.Abs(f.volts-s.HeldVolts))
}

// falseFullChance is the chance that what looks like a full is none. Next to none when even a much
// larger resistance, several times the usual one where none was learned, would leave a
// voltage at which only a full cell rests; little when the voltage was held while the current
// fell. Else this may as well be a panel that gives no more and a drop over leads: then it
// tells nothing, and soon enough a true full tells more.
func (m Model) falseFullChance(s *State, cell, net float64, both bool) float64 {
	steady := s.HeldDrift <= max(2*s.VoltStep, 0.004*m.cells())
	switch {
	case !both && steady:
		return 0.002
	case !both:
		return 0.05
	case m.rest(s, cell, net, 1.4+8*m.ohmsUnlearned(s)) > 3.385:
		return 0.0005
	case steady && net < 0.7*s.PeakAmps:
		return 0.01
	}
	return 1
}

// recentHours is over how long what flowed in is remembered, as a share of the capacity; and
// flowedIn how much of it shows that the battery takes charge: less than any night takes out.
const (
	recentHours = 4
	flowedIn    = 0.008
)

// refusedChance is the chance that a voltage of absorption with no current is that of a bus from
// which the battery takes nothing, because its protection has opened for charging: below some
// 0 to 5 °C and above 45 °C, and again only some degrees away (common practice), or for a reason
// that nobody sees. A battery that takes charge at that voltage is not in that state. Where its
// current is not measured, its voltage tells: that of a bus rises at once.
func (m Model) refusedChance(s *State, both bool) float64 {
	chance := s.refusing()
	switch {
	case !both && s.Jumped:
		return chance
	case !both:
		return chance / 30
	case s.HeldIn > m.Battery.CapacityAh/150:
		return 0
	case s.RecentIn > flowedIn && !s.Jumped && !s.Ceased:
		return chance / 10
	}
	return chance
}

// refusing is that chance before anything was seen but the temperature.
// Fulls that surprised of late were perhaps none, and what refused then refuses still.
func (s *State) refusing() float64 {
	chance := 0.15
	switch {
	case !s.CelsiusSet:
		chance = 0.3
	case s.Celsius < 8 || s.Celsius > 42:
		chance = 0.6
	}
	odds := max(s.FullSurprise, 1)
	return chance * odds / (1 - chance + chance*odds)
}

// anchor sets the charge at a full of which some may be missing, and tells whether it is
// believed. With the given chance it is none, and then tells nothing: the belief becomes the
// mixture of both. A belief that was wrong altogether is possible too.
func (m Model) anchor(s *State, f flow, x, spread, wrong float64) bool {
	var slope [unknowns]float64
	slope[iCharge], slope[iFullShortfall] = 1, 1
	surprise := x - s.Mean[iCharge] - s.Mean[iFullShortfall]
	total := s.Cov[iCharge][iCharge] + 2*s.Cov[iCharge][iFullShortfall] + s.Cov[iFullShortfall][iFullShortfall] + spread*spread
	jump := 0.02
	if !s.Anchored {
		jump = 0.3 // nothing but a guess to begin from
	}
	likely := (1 - wrong) * ((1-jump)*bell(surprise, total) + jump*bell(surprise, total+0.2*0.2))
	share := likely / (likely + wrong)
	before := s.Gauss
	expected := total
	// a return to full from a deep swing that nobody expected: the battery is of another size
	if surprise*surprise > lostFrom*lostFrom*total && s.LowestSinceFull <= deepSwing && wrong <= doubtfulFull && s.Volts > 0 {
		s.doubtCapacity(&slope, surprise, total)
		total = s.spread(&slope) + spread*spread
	}
	if over := surprise*surprise - 9*total; over > 0 {
		m.reopen(s, math.Sqrt(over))
	}
	if s.Anchored && s.SinceAnchor > 6 {
		s.FullSurprise += (min(surprise*surprise/expected, 9) - s.FullSurprise) / 12
	}
	spread2 := spread*spread + max(s.FullSurprise-1, 0)*total
	consider := considerCell
	if !f.outKnown {
		consider |= 1 << iMeter // a charge that was guessed tells nothing of it
	}
	if s.LowestSinceFull > deepSwing || s.Volts == 0 {
		consider |= considerSize
		if s.MaxGainSD < 0.02 {
			consider |= 1 << iChargeGain
		}
	}
	s.Gauss.observe(&slope, surprise, spread2, consider)
	if share < 0.85 {
		s.Gauss.mixture(&before, share)
	}
	if share < 0.5 {
		return false
	}
	s.LowestSinceFull = 1
	s.Anchored, s.SinceAnchor, s.ChargedIn = true, 0, 0
	return true
}

// bell is the density of a normal distribution about zero.
func bell(x, variance float64) float64 {
	return math.Exp(-x*x/variance/2) / math.Sqrt(2*math.Pi*variance)
}

// reopen opens the belief again after a surprise that it had thought impossible: the charge
// jumped, or what leaves unmeasured changed.
func (m Model) reopen(s *State, off float64) {
	s.widen(iCharge, off*off/4)
	drain := off / 2 * m.Battery.CapacityAh / max(s.SinceAnchor, 24)
	s.widen(iDrain, min(drain*drain, 0.01))
}
