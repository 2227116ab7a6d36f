package battery

import (
	"math"
	"time"

	"ebbwatch/collector/reading"
)

// predict moves the charge over the time since the last reading by what flowed, as far as
// it was seen, and by what usually flows, as far as it was not.
func (m Model) predict(s *State, f flow, dt time.Duration) {
	hours := dt.Hours()
	if hours <= 0 {
		return
	}
	if dt > s.unseen() && s.WokeEmpty { // the length of the silence after which the charge was told anew
		s.WokeEmpty = false
		s.widen(iCharge, wakeSpread*wakeSpread/4)
		return
	}
	if m.dead(s, f, dt) {
		s.relax(iCharge, math.Exp(-hours/deadHours), deadCharge, deadSpread)
		if !s.Silent { // it is heard again, so it was charged: the longer ago, the less is known
			s.relax(iCharge, math.Exp(-s.SilentHours/deadHours), wakeCharge, wakeSpread)
		}
		return
	}
	if s.Full && dt <= s.unseen() {
		m.moveAtFull(s, f, hours)
		return
	}
	in, out, rough := m.charges(s, f, dt)
	d, c := &s.Gauss, colder(s.Celsius)
	left := max(1-d.Mean[iColdLoss]*c, 0.4)
	size := m.Battery.CapacityAh * math.Exp(d.Mean[iLogCapacity]) * left
	dark := s.dark(f) * hours
	net := (in*(1+d.Mean[iChargeGain]) - out - d.Mean[iDrain]*hours - d.Mean[iNightDrain]*dark) / size
	var slope [unknowns]float64
	slope[iDrain] = -hours / size
	slope[iNightDrain] = -dark / size
	slope[iChargeGain] = in / size
	slope[iLogCapacity] = -net
	slope[iColdLoss] = net * c / left
	step := net - selfDischarge*hours
	d.shift(step, &slope)
	d.widen(iCharge, (rough*rough+s.rounding(hours))/(size*size))
	m.randomWalk(s, hours)
	s.SinceOCV += hours
	s.MovedSinceOCV += math.Abs(net)
	s.ChargedIn += max(step, 0)
	s.RecentIn = s.RecentIn*math.Exp(-hours/recentHours) + max(step, 0)
	s.DrawnOut += max(-step, 0)
	s.Hysteresis += (math.Copysign(1, net) - s.Hysteresis) * (1 - math.Exp(-math.Abs(net)/hysteresisTurn))
}

// rounding is the variance, Ah², that a current in coarse steps brings: its error stays the same
// for as long as the current does, some hours, and so does not average away.
func (s *State) rounding(hours float64) float64 {
	const flatHours = 6
	if s.AmpStep < 0.03 {
		return 0
	}
	return s.AmpStep * s.AmpStep / 12 * 2 * flatHours * hours
}

// moveAtFull moves the charge on at a full: a balancer may eat what still flows, or none of it.
func (m Model) moveAtFull(s *State, f flow, hours float64) {
	size := m.Battery.CapacityAh * math.Exp(s.Mean[iLogCapacity])
	step := (f.net() - s.Mean[iDrain]) * hours / size
	s.Mean[iCharge] = min(s.Mean[iCharge]+step/2, max(1-s.Mean[iFullShortfall], s.Mean[iCharge]))
	s.widen(iCharge, step*step/4)
}

// A battery that fell silent when it was all but empty: its protection has opened, or the
// node has nothing to run on. For as long as it is silent it holds little; what the sun gave
// it before it is heard again depends on when the controller feeds the load again (12.6 to
// 13.2 V, common practice), which with a charging current may be at a fifth of its charge.
const (
	deadVolts   = 3.0  // a cell
	emptyCharge = 0.03 // at most, to be told as empty
	deadHours   = 12.0
	deadCharge  = 0.05
	deadSpread  = 0.04
	wakeCharge  = 0.10
	wakeSpread  = 0.07
)

// dead tells whether the time since the last reading belongs to such a silence.
func (m Model) dead(s *State, f flow, dt time.Duration) bool {
	silent := !f.voltsKnown && !f.inKnown && !f.outKnown
	if !s.Silent && (silent || dt > s.unseen()) {
		s.SilentEmpty, s.SilentHours = s.empty(m), 0
	}
	belongs := s.SilentEmpty && (silent || s.Silent || dt > s.unseen())
	s.Silent, s.SilentEmpty = silent, s.SilentEmpty && silent
	s.SilentHours += dt.Hours()
	return belongs
}

// inflateAfterRestart is what is believed after a silence when nobody knows how long it was: the
// charge is less sure by what a node at a hundredth of its capacity an hour uses in a short
// night, and of a battery that was all but empty, that the sun gave it something before anybody
// could look.
func (m Model) inflateAfterRestart(s *State) {
	const restartSpread, asleep = 0.05, 0.7
	if s.WokeEmpty = s.empty(m); s.WokeEmpty {
		s.relax(iCharge, 1-asleep, wakeCharge, wakeSpread)
	}
	s.widen(iCharge, restartSpread*restartSpread)
	s.Flow, s.Held, s.GapBeforeOCV, s.SinceGap = Seen{}, 0, true, 0
}

// empty tells whether the battery was all but empty when it was last seen.
func (s *State) empty(m Model) bool {
	return s.Volts > 0 && s.Volts < deadVolts*m.cells() || s.Mean[iCharge]+s.sd(iCharge) < emptyCharge
}

// dark is +½ when the panel gives nothing and -½ when it gives.
func (s *State) dark(f flow) float64 {
	switch {
	case f.sunKnown && f.sun:
		return -0.5
	case f.sunKnown:
		return 0.5
	}
	return 0
}

// unusualHours is for how long a departure from habit goes on: a dark afternoon, a busy
// evening. Of a side that nobody ever measured there is no habit: what is unusual about the
// light then goes on for longer, and about the load, which is much the same every hour, for
// less. These keep the band of nodes without that meter from being too wide.
const (
	unusualHours   = 8.0
	unmeasuredSun  = 15.0
	unmeasuredLoad = 5.0
)

// charges is what went in and out over the time since the last reading, Ah, and the spread
// of their difference. Between two close readings the current went straight from one to
// the other, give or take a third of the change: clouds do not wait for a reading.
func (m Model) charges(s *State, f flow, dt time.Duration) (in, out, rough float64) {
	hours := dt.Hours()
	close := dt <= s.unseen() && s.Flow.Set
	a, b := m.side(s, &s.In, s.Flow.InKnown && close, f.inKnown && close, s.Flow.In, f.in, hours, s.Out.usual(m.guess()), unmeasuredSun)
	c, d := m.side(s, &s.Out, s.Flow.OutKnown && close, f.outKnown && close, s.Flow.Out, f.out, hours, s.In.usual(m.guess()), unmeasuredLoad)
	if s.In.blank() && s.Out.blank() && f.voltsKnown {
		amps := m.chargingAmps(s, f.volts/m.cells())
		a, b = max(a, amps*hours), math.Hypot(b, amps*math.Sqrt(3*hours))
	}
	rough = math.Hypot(b, d)
	if close && dt > leastUnseen/2 { // what happens between two readings far apart is not on a line
		rough = math.Hypot(rough, math.Hypot(cloudShare*math.Sqrt(2*hours)*a, busyShare*c))
	}
	return a, c, rough
}

// chargedShare is the most, of the capacity in an hour, that a voltage is taken to charge with.
// Above chargedBelow a voltage tells too little of it.
const (
	chargedShare = 1. / 16
	chargedBelow = 0.55
)

// chargingAmps is what flows in, where no current is measured, when the voltage lies as far above
// that of a battery so full.
func (m Model) chargingAmps(s *State, cell float64) float64 {
	if s.Mean[iCharge] > chargedBelow {
		return 0
	}
	rest, _ := OCV(s.Mean[iCharge])
	over := cell - rest - s.Mean[iHysteresis] - s.Mean[iMeter] - s.sd(iMeter)
	return min(max(over*m.cells()/(slowOhms*m.ohms(s)), 0), chargedShare*m.Battery.CapacityAh)
}

// cloudShare and busyShare are how uncertain, relative, the charge of a quarter of an hour and more
// is when only the instants at its ends are known: of broken cloud and of a load that varies.
const (
	cloudShare = 0.35
	busyShare  = 0.10
)

// side is one side's charge and spread. Where nothing was ever seen of it, it is as guessed,
// and what is unusual about it goes on for blank hours.
func (m Model) side(s *State, h *Habit, before, now bool, was, is, hours, guess, blank float64) (ah, spread float64) {
	switch {
	case before && now:
		return (was + is) / 2 * hours, 0.3 * math.Abs(is-was) * hours
	case now:
		return is * hours, 0.3 * is * hours
	case before:
		return was * hours, 0.3 * was * hours
	}
	bound := unusualHours
	switch {
	case h.blank():
		bound = blank
	case hours > s.unseen().Hours():
		bound = min(hours, unusualHours)
	}
	return h.over(s.HourOfDay, hours, bound, guess)
}

// guess is a load before any was seen: some nodes live four days on a battery. As much must
// go in. A side that is never measured is guessed by the other one.
func (m Model) guess() float64 { return m.Battery.CapacityAh / 100 }

// What is believed of gain and night drain from the start, and again when nothing has told
// otherwise for some months: neither is seen apart from the drain unless the weather changes.
const (
	gainMean    = -0.003
	gainSpread  = 0.015
	nightSpread = 0.03
)

// drainUnseen is by how much the drain wanders in a month where no voltage is measured, A: what the
// charge is counted from is off by the weather there.
const drainUnseen = 0.04

// randomWalk lets what is not constant wander.
func (m Model) randomWalk(s *State, hours float64) {
	month := hours / 720
	drain := 0.010
	if s.Volts == 0 {
		drain = drainUnseen
	}
	s.widen(iDrain, drain*drain*month)
	s.widen(iLogCapacity, 0.006*0.006*month)
	s.widen(iFullShortfall, 0.002*0.002*month)
	keep := math.Exp(-month / 2)
	s.relax(iChargeGain, keep, gainMean, math.Hypot(gainSpread, s.MaxGainSD))
	s.relax(iNightDrain, keep, 0, nightSpread)
	s.widen(iCharge, 0.001*0.001*hours/24)
	if s.Volts == 0 && !(s.Anchored && s.SinceAnchor < atLargeAfter) { // nothing tells the charge, so it is soon that of nodes at large
		s.relax(iCharge, math.Exp(-hours/atLargeHours), atLargeCharge, atLargeSpread)
	}
	if !s.CelsiusSet { // the capacity follows seasons that nobody sees
		s.widen(iLogCapacity, 2*seasonSize*seasonSize*month/2)
	}
}

// What is believed of the charge where no voltage was ever seen, and how soon counting from
// the start is worth nothing, h: a node that lives stands nearer to full than to empty.
const (
	atLargeHours  = 240.0
	atLargeAfter  = 480.0 // h after the last full
	atLargeCharge = 0.7
	atLargeSpread = 0.3
)

// seasonSize is how far the capacity strays with the temperature where that is not measured,
// relative: some 8 K about the year's mean at 0.5 % a kelvin.
const seasonSize = 0.035

// widenForNewMeter widens what a way of measuring leaves open, the first time it is used.
func (m Model) widenForNewMeter(s *State, f flow) {
	if s.MaxGainSD >= f.rough && s.Flow.Set {
		return
	}
	spread := math.Hypot(gainSpread, f.rough)
	s.Cov[iChargeGain][iChargeGain] = max(s.Cov[iChargeGain][iChargeGain], spread*spread)
	s.MaxGainSD = f.rough
}

// celsiusHours is for how long a temperature is worth something after it was last told, h.
const celsiusHours = 48

// followTemperature follows the battery's temperature from the best sensor there is. A battery in a
// box lags the air by some hours.
func (m Model) followTemperature(s *State, r *reading.Reading, hours float64) {
	var t, lag float64
	if x, ok := r.Get(reading.BatteryCelsius); ok {
		t, lag = x, 0.5
	} else if x, ok := r.Get(reading.AirCelsius); ok {
		t, lag = x+2, 6
	} else if x, ok := r.Get(reading.ControllerCelsius); ok {
		t, lag = x-4, 6
	} else {
		if s.SinceCelsius += hours; s.SinceCelsius > celsiusHours {
			s.CelsiusSet = false
		}
		return
	}
	s.SinceCelsius = 0
	if !s.CelsiusSet {
		s.Celsius, s.CelsiusSet = t, true
	}
	was := colder(s.Celsius)
	s.Celsius += (t - s.Celsius) * (1 - math.Exp(-hours/lag))
	s.shiftWithCold(was, colder(s.Celsius))
}

// shiftWithCold moves the charge when the battery turns colder. The capacity shrinks; whether the
// ampere-hours that are short of full then stay the same, or the share of what is left,
// nobody has measured well.
func (s *State) shiftWithCold(was, now float64) {
	k := s.Mean[iColdLoss]
	shrink := math.Log(max(1-k*was, 0.4) / max(1-k*now, 0.4))
	short := 1 - s.Mean[iCharge]
	var slope [unknowns]float64
	slope[iColdShare] = -short * shrink
	slope[iColdLoss] = -s.Mean[iColdShare] * short * (now - was)
	slope[iCharge] = s.Mean[iColdShare] * shrink
	s.shift(-s.Mean[iColdShare]*short*shrink, &slope)
}

// hour follows the hour of the day, UTC.
func (s *State) hour(at reading.Stamp, dt time.Duration) {
	if at.Trusted {
		w := at.Wall.UTC()
		s.HourOfDay = float64(w.Hour()) + float64(w.Minute())/60
		return
	}
	s.HourOfDay = math.Mod(s.HourOfDay+dt.Hours(), 24)
}

// remember keeps the flows for the next step, and learns the habits from them.
func (m Model) remember(s *State, f flow, dt time.Duration) {
	if dt > 0 && dt <= s.unseen() {
		h := int(s.HourOfDay) % 24
		if f.inKnown {
			s.In.learn(h, f.in, dt.Hours())
		}
		if f.outKnown && !f.off && s.CutHours == 0 {
			s.Out.learn(h, f.out, dt.Hours())
		}
		if f.inKnown && f.outKnown && f.voltsKnown && s.Flow.InKnown && s.Flow.OutKnown && s.Flow.VoltsKnown && dt < 11*time.Minute {
			m.learnOhms(s, f.net()-s.Flow.In+s.Flow.Out, f.volts-s.Flow.Volts)
		}
	}
	s.Flow = Seen{true, f.in, f.out, f.volts, f.inKnown, f.outKnown, f.voltsKnown}
}
