package battery

import (
	"math"
	"time"

	"ebbwatch/collector/reading"
)

// A load past the meters is told when it was as good as certain, by unmeteredSure, for
// unmeteredHours; and it is looked at only once the drain is known to unmeteredDrain, A. Told
// earlier, its first figure was a watt too high, and half of the finds were taken back.
const (
	unmeteredHours = 168
	unmeteredSure  = 0.98
	unmeteredDrain = 0.025
)

// derive takes down what is told but teaches the belief nothing.
func (m Model) derive(s *State, r *reading.Reading, f flow, dt time.Duration) {
	hours := dt.Hours()
	s.ReplacedHours = max(s.ReplacedHours-hours, 0)
	s.ControllerSoC, s.ControllerSoCKnown = r.Get(reading.ControllerSoC)
	t, known := r.Get(reading.BatteryCelsius)
	s.ColdCharge = known && t < 0 && f.inKnown && f.net()-s.Mean[iDrain] > m.Battery.CapacityAh/200
	s.Curtailed = m.curtailed(s, r, f)
	m.powers(s, r, f, hours)
	s.zeros(r, m.cells(), hours)
	m.judgeUnmetered(s, hours)
}

// judgeUnmetered looks once an hour; a finding must last before it is told, and be gone twice as long
// before it is taken back.
func (m Model) judgeUnmetered(s *State, hours float64) {
	if s.UnmeteredWait += hours; s.UnmeteredWait < 1 {
		return
	}
	if s.Anchored && s.sd(iDrain) < unmeteredDrain && m.split(s).sure > unmeteredSure {
		s.UnmeteredHours = min(s.UnmeteredHours+s.UnmeteredWait, 2*unmeteredHours)
	} else {
		s.UnmeteredHours = max(s.UnmeteredHours-s.UnmeteredWait/2, 0) // a doubt must last twice as long
	}
	s.UnmeteredWait = 0
}

// curtailed tells a charger that holds a voltage above any resting one from one that gives
// all there is: the held voltage does not rise, and the panel, less drawn upon, stands higher
// than it does in bulk.
func (m Model) curtailed(s *State, r *reading.Reading, f flow) bool {
	if !f.voltsKnown || !f.sun {
		return false
	}
	cell := f.volts / m.cells()
	pv, known := r.Get(reading.PanelVolts)
	if known && cell < restMost && f.in > m.Battery.CapacityAh/100 {
		if s.BulkVolts == 0 {
			s.BulkVolts = pv
		}
		s.BulkVolts += (pv - s.BulkVolts) / 50
	}
	still := max(0.004, s.VoltStep/m.cells())
	held := math.Abs(f.volts-s.Volts)/m.cells() < still
	switch {
	case cell < 3.35:
		return false
	case !known || s.BulkVolts == 0:
		return held
	}
	return held && pv > 1.03*s.BulkVolts
}

// powers notes what flows now. A node that knows only its battery's current shows its load
// in the dark alone; by day the load is taken to be what it was in the dark.
func (m Model) powers(s *State, r *reading.Reading, f flow, hours float64) {
	drain := s.Mean[iDrain] * f.volts
	s.NetW = f.net()*f.volts - drain
	load := r.LoadPower(f.volts)
	watts := load.X
	bat, okBat := r.Get(reading.BatteryAmps)
	charge, okCharge := r.Get(reading.ChargeAmps)
	switch {
	case load.Known:
	case okBat && okCharge:
		watts = max(charge-bat, 0) * f.volts
	case f.outKnown && !f.sun:
		w := 1 - math.Exp(-hours/2)
		if s.NightLoadW == 0 {
			w = 1
		}
		s.NightLoadW += w * (f.out*f.volts - s.NightLoadW)
		watts = f.out * f.volts
	case f.outKnown:
		watts = max(s.NightLoadW, f.out*f.volts)
	default:
		h, _ := s.Out.at(int(s.HourOfDay)%24, m.guess())
		watts = h * f.volts
	}
	s.LoadW = max(watts+drain, 0)
}
