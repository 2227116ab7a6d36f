package battery

import "math"

// How the cell departs from its open-circuit curve; all of it common practice, or read off
// the public measurements named in the package documentation.
const (
	hysteresisVolts = 0.011 // half the distance of the charging from the discharging branch
	hysteresisSD    = 0.004
	hysteresisTurn  = 0.03  // share of the capacity over which one branch goes over to the other
	meterVolts      = 0.018 // error of the voltmeter, V a cell: 0.4 %; one per-cent is not rare
	wholeVolts      = 0.004 // spread of cells about the curve as a whole, V
	curveVolts      = 0.009 // the same, of its bends
	curveReach      = 0.2   // charge over which a cell departs from the curve in the same way
	kneeShiftSD     = 0.018 // spread of its foot, for good
	deepSwing       = 0.6   // only from below this does a return to full teach the capacity
	kneeHours       = 480   // h after a full for which the knee may teach the capacity
	ocvNoiseVolts   = 0.012 // what differs from look to look
	coldOhms        = 0.025 // log resistance per kelvin below 25 °C
	slowOhms        = 1.5   // resistance after an hour against that after some minutes
	selfDischarge   = 0.022 / 720
)

// colder is how far below 25 °C the battery is, K.
func colder(celsius float64) float64 { return min(max(25-celsius, 0), 60) }

// lowOhms is by how much the resistance has grown towards empty.
func lowOhms(x float64) float64 { return 1 + 0.8*math.Exp(-max(x, 0)/0.08) }

// priorOhms is the resistance of the whole battery before any is seen, wiring included.
func (m Model) priorOhms() float64 {
	return m.cells() * 0.18 / m.Battery.CapacityAh
}

// ohms is the resistance at the present temperature after some minutes of current.
func (m Model) ohms(s *State) float64 {
	return m.restOhms(s) * math.Exp(coldOhms*colder(s.Celsius))
}

// restOhms is the same at 25 °C: the steps of current seen so far, and the prior as if it
// were a few of them.
func (m Model) restOhms(s *State) float64 {
	few := m.fewSteps()
	return max((s.StepVA+few*m.priorOhms())/(s.StepAA+few), 0.3*m.priorOhms())
}

// fewSteps is the weight of the prior: five steps of a twentieth of the capacity.
func (m Model) fewSteps() float64 { return 5 * m.Battery.CapacityAh * m.Battery.CapacityAh / 400 }

// ohmsUnlearned is how much of the resistance is still prior, 0 to 1.
func (m Model) ohmsUnlearned(s *State) float64 { return m.fewSteps() / (s.StepAA + m.fewSteps()) }

// learnOhms takes a step of current between two close readings.
func (m Model) learnOhms(s *State, dA, dV float64) {
	considered := max(s.Flow.Volts, s.Flow.Volts+dV) > 3.36*m.cells()
	if considered || math.Abs(dA) < m.Battery.CapacityAh/40 {
		return
	}
	dA *= math.Exp(coldOhms * colder(s.Celsius))
	const keep = 0.999
	s.StepVA = keep*s.StepVA + dA*dV
	s.StepAA = keep*s.StepAA + dA*dA
}
