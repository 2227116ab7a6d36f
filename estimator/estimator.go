package estimator

import (
	"math"
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
}

// Belief is what is believed of the battery at one moment. Ratios run from 0 to 1; what is
// not known is NaN.
type Belief struct {
	SoC, Low, High float64 // mean, and the 90 % band (5th and 95th percentile)
	SoCSD          float64
	UsableAh       float64 // capacity at the present temperature and age
	UsableAhSD     float64
	OffsetAmps     float64 // what the current sensor adds to the truth
	OffsetSD       float64
	UnmeteredWatts float64 // load that leaves the battery past the meters
	UnmeteredSD    float64
	MilliOhms      float64       // of the whole battery
	Full           bool          // held at absorption with the current tapered
	Curtailed      bool          // the charger gives less than the panel could
	SinceFull      time.Duration // since the last true full; negative when never seen
	NetWatts       float64       // into the battery, measured or inferred
	LoadWatts      float64       // all load, the unmetered part included
	Health         float64       // capacity against the label; NaN until learned
	HealthSD       float64
}

// Model is the battery model of one site. It holds no state.
type Model struct {
	Battery Battery
}

// Seen is what the last reading said of the flows.
type Seen struct {
	Set                           bool
	In, Out, Volts                float64
	InKnown, OutKnown, VoltsKnown bool
}

// State is all that is remembered between steps. It is plain data that marshals to JSON,
// so that the belief survives a restart; it never holds a NaN.
type State struct {
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
	Topped      float64 // charge put in since the ceiling was felt
	Drawn       float64 // charge taken out since the floor was felt
	Held        float64 // h at absorption with the current tapered
	Floating    float64 // h
	AnchorRate  float64 // current at the last anchor over the capacity
	SinceAnchor float64 // h
	Anchored    bool
	Lowest      float64 // charge since then
	Full        bool
	FullSeen    bool
	Curtailed   bool
	SinceFull   time.Duration
	NetW, LoadW float64
}

// Start is the belief before the first reading.
func (m Model) Start() State {
	s := State{Celsius: 15, Branch: -0.5}
	s.Gauss.set(iCharge, 0.6, 0.3)
	if x := m.Battery.InitialSoC; x >= 0 && x <= 1 {
		s.Gauss.set(iCharge, x, 0.12)
	}
	s.Gauss.set(iDrain, 0.09, 0.09)
	s.Gauss.set(iNight, 0, 0.03)
	s.Gauss.set(iFoot, 0, footShift)
	s.Gauss.set(iGain, -0.003, 0.01)
	s.Gauss.set(iSize, -0.105, 0.09)
	s.Gauss.set(iCold, 0.0045, 0.0025)
	s.Gauss.set(iHide, 0.5, 0.35)
	s.Gauss.set(iTop, 0.008, 0.007)
	s.Gauss.set(iBranch, branchVolts, branchSD)
	s.Gauss.bend()
	return s
}

// Step moves the belief on to the moment of r. The same inputs give the same belief.
func (m Model) Step(s State, r reading.Reading) State {
	dt, how := s.pass(r.Stamp)
	if how == ignored {
		return s
	}
	f := flowOf(&r, 3.2*float64(m.Battery.Cells))
	m.climate(&s, &r, dt.Hours())
	m.meet(&s, f)
	if how == restarts {
		dt = 0
		s.widen(iCharge, 0.03*0.03)
	}
	m.predict(&s, f, dt)
	s.hour(r.Stamp, dt)
	m.observe(&s, f, dt)
	m.remember(&s, f, dt)
	m.powers(&s, &r, f)
	return s
}

// powers notes what flows now, and whether the charger holds back.
func (m Model) powers(s *State, r *reading.Reading, f flow) {
	cell := f.volts / float64(m.Battery.Cells)
	s.Curtailed = f.voltsKnown && f.in > 0 && (cell > 3.42 || s.Floating != 0)
	drain := s.Mean[iDrain] * f.volts
	s.NetW, s.LoadW = f.net()*f.volts-drain, f.out*f.volts+drain
	if w, ok := r.Get(reading.LoadWatts); ok {
		s.LoadW = w + drain
	}
}

// Belief reads the state out.
func (m Model) Belief(s *State) Belief {
	sd := s.sd(iCharge)
	x := min(max(s.Mean[iCharge], 0), 1)
	left := 1 - s.Mean[iCold]*colder(s.Celsius)
	usable := m.Battery.CapacityAh * math.Exp(s.Mean[iSize]) * left
	b := Belief{
		SoC: x, SoCSD: sd,
		Low: min(max(s.Mean[iCharge]-1.645*sd, 0), x), High: max(min(s.Mean[iCharge]+1.645*sd, 1), x),
		UsableAh: usable, UsableAhSD: usable * math.Hypot(s.sd(iSize), s.sd(iCold)*colder(s.Celsius)),
		OffsetAmps: 0, OffsetSD: 0.035,
		UnmeteredWatts: s.Mean[iDrain] * 3.3 * float64(m.Battery.Cells), UnmeteredSD: 1,
		MilliOhms: 1000 * m.ohms(s), Full: s.Full, Curtailed: s.Curtailed, SinceFull: -1,
		NetWatts: s.NetW, LoadWatts: s.LoadW, Health: math.NaN(), HealthSD: math.NaN(),
	}
	if s.FullSeen {
		b.SinceFull = s.SinceFull
	}
	return b
}
