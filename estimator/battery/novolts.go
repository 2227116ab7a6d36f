package battery

import (
	"math"
	"time"
)

// Where no voltage is measured two things still tell the charge: a charger that holds its voltage
// gives what the load takes, however the load changes, which is a full; and the load that goes off
// by itself, which is the low-voltage disconnect.

// How such a full is told.
const (
	balancedHours  = 0.5
	balancedShare  = 0.12 // of the load: what two meters of power differ by
	balancedSpread = 0.02
	balancedWrong  = 0.3  // chance that a grey sky gives what the load takes for so long
	followedWrong  = 0.02 // the same where the charge went along with a load that changed
	followedLeast  = 3.0  // changes that were followed, to be taken for a charger that holds its voltage
	followedMost   = 8.0
)

// followLoad counts how often a change of the load was one of the charge too, by as much. While the
// battery takes all that the panel gives, the load's changes are the battery's.
func (s *State) followLoad(f flow, dt time.Duration) {
	if !f.inKnown || !f.outKnown || !s.Flow.InKnown || !s.Flow.OutKnown || f.in <= 0 || dt > s.unseen() {
		s.Follow = 0
		return
	}
	in, out := f.in-s.Flow.In, f.out-s.Flow.Out
	if math.Abs(out) < max(0.05*f.out, 0.03) {
		return
	}
	if math.Abs(in-out) < 0.35*math.Abs(out) {
		s.Follow = min(s.Follow+1, followedMost)
	} else {
		s.Follow = max(s.Follow-2, 0)
	}
}

// balancedFull takes for a full what the charger gave like that for half an hour.
func (m Model) balancedFull(s *State, f flow, dt time.Duration) {
	s.followLoad(f, dt)
	net := f.net() - s.Mean[iDrain]
	followed := s.Follow >= followedLeast
	held := f.inKnown && f.outKnown && f.in > 0 && f.out > 0 && dt <= s.unseen() && s.CutHours == 0 &&
		(math.Abs(f.net()) < balancedShare*f.out || followed && f.net() > -2*balancedShare*f.out && net < m.Battery.CapacityAh/16)
	if !held {
		s.Full, s.FullAccepted, s.Held = false, false, 0
		return
	}
	was := s.Held
	s.Held += dt.Hours()
	if was < balancedHours && s.Held >= balancedHours {
		wrong := balancedWrong
		if followed {
			wrong = followedWrong
		}
		if s.RecentIn < flowedIn {
			wrong = max(wrong, s.refusing())
		}
		rate := max(net, 0) / m.Battery.CapacityAh
		s.FullAccepted = m.anchor(s, f, 1-taperHours*rate, math.Hypot(balancedSpread, taperSpread*rate), wrong)
	}
	if s.Full = s.FullAccepted; s.Full {
		s.SinceFull, s.FullSeen = 0, true
	}
}

// A load that is off for cutHours counts as cut off; what a battery holds then depends on the
// controller's set point, 11 to 12 V under load, and on the load (common practice).
const (
	cutShare   = 0.25 // of the usual load of that hour: less is none, with what a meter's zero may add
	cutHours   = 0.25
	cutCharge  = 0.06
	cutSpread  = 0.05
	cutTeaches = 480 * time.Hour // since a full
	cutWrong   = 0.1             // chance that somebody switched it off, or that it failed
)

// loadCut takes a load that goes off by itself for the low-voltage disconnect. Where it comes on
// again though nothing flowed in, it was none, and what was believed of it is forgotten.
func (m Model) loadCut(s *State, f flow, hours float64) {
	if !f.outKnown {
		return
	}
	usual, _ := s.Out.at(int(s.HourOfDay)%24, 0)
	if usual <= 0 || !f.off && f.out > cutShare*usual {
		if s.CutUnfed && f.inKnown {
			s.relax(iCharge, 0, atLargeCharge, atLargeSpread)
		}
		s.CutHours, s.CutUnfed = 0, false
		return
	}
	was := s.CutHours
	s.CutHours += hours
	s.CutUnfed = s.CutUnfed && !f.sun
	if was >= cutHours && s.Anchored { // what flows in meanwhile is counted from there
		s.SinceAnchor = 0
	}
	if was >= cutHours || s.CutHours < cutHours {
		return
	}
	var slope [unknowns]float64
	slope[iCharge] = 1
	surprise := cutCharge - s.Mean[iCharge]
	total := s.Cov[iCharge][iCharge] + cutSpread*cutSpread
	likely := (1 - cutWrong) * (0.7*bell(surprise, total) + 0.3*bell(surprise, total+0.3*0.3))
	share := likely / (likely + cutWrong)
	before := s.Gauss
	if over := surprise*surprise - 9*total; over > 0 {
		m.reopen(s, math.Sqrt(over))
	}
	consider := considerCell | considerSize | 1<<iChargeGain
	if !s.FullSeen || s.SinceFull > cutTeaches { // the set point is off by as much each time, which teaches no drain
		consider |= 1<<iDrain | 1<<iNightDrain
	}
	s.Gauss.observe(&slope, surprise, cutSpread*cutSpread, consider)
	s.Gauss.mixture(&before, share)
	s.widen(iCharge, max(cutSpread*cutSpread-s.Cov[iCharge][iCharge], 0))
	if share > 0.5 {
		s.Anchored, s.SinceAnchor, s.CutUnfed = true, 0, !f.sun
	}
}
