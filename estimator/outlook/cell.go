package outlook

import "ebbwatch/estimator/battery"

const voltBins = 64

// restVolts is the voltage of one cell at rest against its charge. Source: the open
// LiFePO4-graphite parameter set of About:Energy in the BPX format, evaluated at 25 °C.
func restVolts() [15][2]float64 {
	return [15][2]float64{
		{0, 2.000}, {0.02, 2.948}, {0.05, 3.137}, {0.10, 3.188}, {0.20, 3.230}, {0.30, 3.267}, {0.40, 3.275}, {0.50, 3.278},
		{0.60, 3.286}, {0.70, 3.306}, {0.80, 3.318}, {0.90, 3.322}, {0.95, 3.323}, {0.99, 3.334}, {1.00, 3.649},
	}
}

// restAt is the rest voltage of one cell at a charge.
func restAt(soc float64) float64 {
	t := restVolts()
	for i := 1; i < len(t); i++ {
		if soc <= t[i][0] {
			f := (soc - t[i-1][0]) / (t[i][0] - t[i-1][0])
			return t[i-1][1] + f*(t[i][1]-t[i-1][1])
		}
	}
	return t[len(t)-1][1]
}

// chargeAt is the charge at which a cell rests at a voltage.
func chargeAt(volts float64) float64 {
	t := restVolts()
	if volts <= t[0][1] {
		return 0
	}
	for i := 1; i < len(t); i++ {
		if volts <= t[i][1] {
			return t[i-1][0] + (volts-t[i-1][1])/(t[i][1]-t[i-1][1])*(t[i][0]-t[i-1][0])
		}
	}
	return 1
}

// coulombic is the share of the charge put in that comes out again: 0.995 to 0.999 for
// LiFePO4, common practice.
const coulombic = 0.995

// fillVolts works out one over the battery's voltage by its charge.
func (f *Futures) fillVolts(cells int) {
	n := float64(max(cells, 1))
	for i := range f.perVolt {
		v := max(2.6, min(3.34, restAt(float64(i)/voltBins)))
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
		f.cutSoC = chargeAt((m.Battery.CutoffVolts+amps*ohms)/cells + hysteresis)
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
