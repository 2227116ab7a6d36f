package battery

import "math"

// The open-circuit voltage of one LiFePO4 cell at 25 °C. The figures up to 0.95 follow the
// curve of a public cell parameter file (about 3.19 V at 10 %, 3.28 V at 50 %, 3.32 V at
// 90 %), with its step near 65 % drawn a little wider because its place differs from cell
// to cell. Near full, curves differ more than they agree; the upturn is left to the anchors.
const curveStep = 0.05

func curve() [21]float64 {
	return [...]float64{
		2.20, 3.137, 3.186, 3.212, 3.232, 3.252, 3.266, 3.272, 3.275, 3.277, 3.280,
		3.282, 3.287, 3.297, 3.308, 3.315, 3.319, 3.322, 3.325, 3.330, 3.36,
	}
}

// lowest is the curve below its first step, where it bends too much for straight lines.
func lowest() [6]float64 { return [...]float64{2.20, 2.72, 2.94, 3.05, 3.105, 3.137} }

// ocv is the open-circuit voltage at charge x, V, and its slope, V.
func ocv(x float64) (volts, slope float64) {
	if x < curveStep {
		low := lowest()
		return between(low[:], x/(curveStep/5), curveStep/5)
	}
	c := curve()
	return between(c[:], x/curveStep, curveStep)
}

// between reads a table at a fractional place; beyond the ends the last slope goes on.
func between(table []float64, place, step float64) (y, slope float64) {
	k := min(max(int(place), 0), len(table)-2)
	d := table[k+1] - table[k]
	return table[k] + d*(place-float64(k)), d / step
}

// How the cell departs from its open-circuit curve; all of it common practice, or read off
// the public measurements named in the package documentation.
const (
	hysteresisVolts = 0.011 // half the distance of the charging from the discharging branch
	hysteresisSD    = 0.004
	hysteresisTurn  = 0.03  // share of the capacity over which one branch goes over to the other
	meterVolts      = 0.009 // error of the voltmeter, V a cell
	curveVolts      = 0.009 // spread of cells about the curve, besides
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
