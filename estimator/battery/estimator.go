package battery

import (
	"time"

	"ebbwatch/collector/reading"
)

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

// Seen is what the last reading said of the flows.
type Seen struct {
	Set                           bool
	In, Out, Volts                float64
	InKnown, OutKnown, VoltsKnown bool
}

// form changes whenever the unknowns do, so that what an older program kept is not read as
// something else.
const form = 100 + int(unknowns)

// State is all that is remembered between steps. It is plain data that marshals to JSON,
// so that the belief survives a restart; it never holds a NaN.
type State struct {
	Form int // of the unknowns; a state of another form is of no use
	Mark
	Gauss
	In, Out     Habit
	Flow        Seen
	HourOfDay   float64 // UTC
	Celsius     float64
	CelsiusSet  bool
	Rough       float64 // of the roughest way of measuring met so far
	StepVA      float64 // sums over steps of current, for the resistance
	StepAA      float64
	Volts, Amps float64 // means over some minutes
	VoltStep    float64 // finest step of the voltmeter seen
	Branch      float64 // -1 discharging to +1 charging
	Quiet       float64 // h since charging
	SinceLook   float64 // h since the voltage was weighed
	Moved       float64 // charge moved since then
	Topped      float64 // charge put in since the ceiling was felt
	Drawn       float64 // charge taken out since the floor was felt
	Held        float64 // h at absorption with the current tapered
	HeldVolts   float64 // V, when that began
	Stray       float64 // V, how far from there it went
	Crest       float64 // A, most that flowed in since
	Floating    float64 // h
	AnchorRate  float64 // current at the last likely full over the capacity
	Tried       float64 // h of being full since then
	Believed    bool    // it was taken for one
	SinceAnchor float64 // h
	Anchored    bool
	Lowest      float64 // charge since then
	Full        bool
	FullSeen    bool
	Curtailed   bool
	SinceFull   time.Duration
	NetW, LoadW float64
	BulkVolts   float64 // of the panel when all it gives is taken
	DarkLoad    float64 // W, what flowed out when the panel gave nothing
	ColdCharge  bool
	Claim       float64 // of the controller
	ClaimKnown  bool
	ZeroIn      Zero // of the charge current
	ZeroOut     Zero // of the load current
	ZeroBattery Zero
	ZeroPair    Pair    // of the battery's and the load's
	OwnHours    float64 // h for which the battery had a sensor of its own
	GhostWait   float64 // h since the load past the meters was judged
	GhostHours  float64 // h for which a load past the meters was as good as certain
	Woke        bool    // it was all but empty before a restart of unknown length
	Broken      bool    // there was a silence since the voltage was last weighed
	Silent      bool    // nothing is heard
	Dead        bool    // and the battery was all but empty before
	DeadHours   float64 // since then
	Settled     float64 // h since that silence
	Swapped     float64 // h for which a replaced battery is still told
}

// Start is the belief before the first reading.
func (m Model) Start() State {
	s := State{Form: form, Celsius: 15, Lowest: 1}
	m.fresh(&s)
	if x := m.Battery.InitialSoC; x >= 0 && x <= 1 {
		s.Gauss.set(iCharge, x, 0.12)
	}
	s.Gauss.set(iDrain, 0.09, 0.09)
	s.Gauss.set(iNight, 0, nightSpread)
	s.Gauss.set(iGain, gainMean, gainSpread)
	return s
}

// fresh believes of the battery what is true of batteries at large.
func (m Model) fresh(s *State) {
	s.Gauss.set(iCharge, 0.6, 0.3)
	s.Gauss.set(iSize, -0.06, 0.1) // most are worth 80 to 105 % of the label
	s.Gauss.set(iCold, 0.0045, 0.0025)
	s.Gauss.set(iHide, 0.5, 0.35)
	s.Gauss.set(iTop, 0.008, 0.007)
	s.Gauss.set(iBranch, branchVolts, branchSD)
	s.Gauss.set(iFoot, 0, footShift)
	for k := range knots {
		s.Gauss.set(iCurve+k, 0, 0)
	}
	s.bend()
	s.Surprise, s.Closing = 0.5, 0.7
	s.StepVA, s.StepAA, s.Branch = 0, 0, -0.5
	s.Anchored, s.SinceAnchor, s.Lowest = false, 0, 1
	s.FullSeen, s.SinceFull, s.Full, s.Held, s.Floating = false, 0, false, 0, 0
}

// Replaced is the belief after another battery was put in the place of the old. What was
// learned of meters and loads stays.
func (m Model) Replaced(s State) State {
	m.fresh(&s)
	s.Swapped = 24
	return s
}

// Resumed is the belief that was kept over a restart: the next reading's monotonic clock
// counts from another instant, so only a trusted wall clock can tell how long it was.
func (m Model) Resumed(s State) State {
	s.Foreign = true
	return s
}

// Step moves the belief on to the moment of r. The same inputs give the same belief.
func (m Model) Step(s State, r reading.Reading) State {
	if s.Form != form {
		s = m.Start()
	}
	dt, how := s.pass(r.Stamp)
	if how == ignored {
		return s
	}
	f := flowOf(&r, m.cells())
	m.climate(&s, &r, dt.Hours())
	m.meet(&s, f)
	if how == restarts {
		m.blind(&s)
	}
	m.catchUp(&s, f, r.Stamp)
	if how == restarts || dt > unseen {
		s.Broken, s.Settled = true, 0
	} else {
		s.Settled += dt.Hours()
	}
	m.predict(&s, f, dt)
	s.hour(r.Stamp, dt)
	m.observe(&s, f, dt)
	s.clamp()
	m.remember(&s, f, dt)
	m.notice(&s, &r, f, dt)
	return s
}
