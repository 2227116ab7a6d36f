package battery

import "ebbwatch/collector/reading"

// Battery is what the owner says of the battery.
type Battery struct {
	CapacityAh  float64 // label, Ah
	Cells       int     // in series; 4 for 12.8 V
	Reserve     float64 // charge not to go below, 0 to 1
	CutoffVolts float64 // under load, V, of the whole battery
	InitialSoC  float64 // 0 to 1; NaN when not told
	ZeroAmps    float64 // standard deviation of the current sensor's zero error, A; 0 for the usual
}

// Model is the battery model of one site. It holds no state.
type Model struct {
	Battery Battery
}

// cells is the number of cells in series, that of the commonest battery when none is told.
func (m Model) cells() float64 {
	if m.Battery.Cells <= 0 {
		return 4
	}
	return float64(m.Battery.Cells)
}

// Start is the belief before the first reading.
func (m Model) Start() State {
	s := State{Form: form}
	s.Celsius = 15
	m.newBattery(&s)
	if x := m.Battery.InitialSoC; x >= 0 && x <= 1 {
		s.set(iCharge, x, 0.12)
	}
	s.set(iDrain, 0.09, 0.09)
	s.set(iNightDrain, 0, nightSpread)
	s.set(iChargeGain, gainMean, gainSpread)
	s.set(iMeter, 0, meterVolts)
	return s
}

// newBattery believes of the battery what is true of batteries at large.
func (m Model) newBattery(s *State) {
	s.set(iCharge, 0.6, 0.3)
	s.set(iLogCapacity, -0.06, 0.20) // most are worth 80 to 105 % of the label, some half of it or twice
	s.set(iColdLoss, 0.0045, 0.0025)
	s.set(iColdShare, 0.5, 0.35)
	s.set(iFullShortfall, 0.008, 0.007)
	s.set(iHysteresis, hysteresisVolts, hysteresisSD)
	s.set(iKneeShift, 0, kneeShiftSD)
	for k := range knots {
		s.set(iCurveError+k, 0, 0)
	}
	s.correlateCurve()
	s.OCVSurprise, s.FullSurprise = 0.5, 0.7
	s.StepVA, s.StepAA, s.Hysteresis = 0, 0, -0.5
	s.Anchors = Anchors{LowestSinceFull: 1}
}

// adopted is what can be made of a state that an older program kept: one that did not know the
// voltmeter's error yet learns it from now on; what is older still is of no use.
func (m Model) adopted(s State) State {
	if s.Form != form-1 {
		return m.Start()
	}
	s.Form = form
	s.set(iMeter, 0, meterVolts)
	return s
}

// Replaced is the belief after another battery was put in the place of the old. What was
// learned of meters and loads stays.
func (m Model) Replaced(s State) State {
	m.newBattery(&s)
	s.ReplacedHours = 24
	return s
}

// Interrupted is the belief after a silence of which nobody knows yet how long it was, as over
// a restart with a wall clock that is not right. Once its length is known, the next reading's
// clock is to count it in.
func (m Model) Interrupted(s State) State {
	if s.Form == form {
		m.inflateAfterRestart(&s)
	}
	return s
}

// Step moves the belief on to the moment of r. The same inputs give the same belief.
func (m Model) Step(s State, r reading.Reading) State {
	if s.Form != form {
		s = m.adopted(s)
	}
	dt, fresh := s.pass(r.Mono)
	if !fresh {
		return s
	}
	f := flowOf(&r, m.cells())
	m.followTemperature(&s, &r, dt.Hours())
	m.widenForNewMeter(&s, f)
	if dt > s.unseen() {
		s.GapBeforeOCV, s.SinceGap = true, 0
	} else {
		s.SinceGap += dt.Hours()
	}
	m.predict(&s, f, dt)
	if s.Silent && s.SilentHours > s.unseen().Hours() {
		s.GapBeforeOCV, s.SinceGap = true, 0
	}
	s.hour(r.Stamp, dt)
	m.observe(&s, f, dt)
	s.clamp()
	m.remember(&s, f, dt)
	m.derive(&s, &r, f, dt)
	return s
}
