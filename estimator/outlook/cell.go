package outlook

import "ebbwatch/estimator/battery"

// voltBins is in how many steps of charge the voltage is tabled.
const voltBins = 64

// coulombic is the share of the charge put in that comes out again: 0.995 to 0.999 for
// LiFePO4, common practice.
const coulombic = 0.995

// fillVolts works out one over the battery's voltage by its charge.
func (f *Futures) fillVolts(cells int) {
	n := float64(max(cells, 1))
	for i := range f.perVolt {
		v, _ := battery.OCV(float64(i) / voltBins)
		v = max(2.6, min(3.34, v))
		f.perVolt[i] = 1 / (n * v)
		f.perVoltUp[i] = coulombic / (n * (v + chargeRise))
	}
}

// hysteresis is half the gap between the voltages of charging and discharging, V a cell:
// about 30 mV apart at 25 °C on the measured cell.
const hysteresis = 0.015

// backLeast is how far above the cut-off the load comes back at the least.
const backLeast = 0.02

// backDoubt is how far from the expected charge the load may come back: controllers go by a
// voltage, which the charging current lifts; common practice.
const backDoubt = 0.04

// ends works out at which charge the load goes and comes back: from the cut-off voltage
// under load and the battery's resistance, drawn towards what was seen here.
func (f *Futures) ends(m Model, s *State, b battery.Belief) {
	cells := m.cells()
	ohms := b.MilliOhms / 1000
	if !(ohms > 0) {
		ohms = 0.012 * cells / 4 * 100 / max(m.Battery.CapacityAh, 1) // common practice, leads included
	}
	amps := s.Load.Level / (3.1 * cells)
	f.cutSoC = 0.02
	if m.Battery.CutoffVolts > 0 {
		f.cutSoC = battery.ChargeAt((m.Battery.CutoffVolts+amps*ohms)/cells + hysteresis)
	}
	f.cutSoC = min(f.cutSoC, 0.3)
	if n := s.Cutoff.Count; n > 0 {
		f.cutSoC += n / (n + 1) * (min(s.Cutoff.SoC, 0.5) - f.cutSoC)
	}
	f.backSoC = f.cutSoC + 0.12
	if n := s.Cutoff.BackCount; n > 0 {
		f.backSoC += n / (n + 1) * (s.Cutoff.BackSoC - f.backSoC)
	}
	f.backSoC = max(f.backSoC, f.cutSoC+backLeast)
}
