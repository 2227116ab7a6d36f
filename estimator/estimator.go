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

// State is all that is remembered between steps. It is plain data that marshals to JSON,
// so that the belief survives a restart.
type State struct {
	Mark
	X, Var    float64 // charge and its variance
	NetW      float64
	LoadW     float64
	Held      float64 // hours at absorption with the current tapered
	Full      bool
	Curtailed bool
	FullSeen  bool
	SinceFull time.Duration
}

// Start is the belief before the first reading.
func (m Model) Start() State {
	s := State{X: 0.6, Var: 0.3 * 0.3}
	if x := m.Battery.InitialSoC; x >= 0 && x <= 1 {
		s.X, s.Var = x, 0.1*0.1
	}
	return s
}

// Step moves the belief on to the moment of r. The same inputs give the same belief.
func (m Model) Step(s State, r reading.Reading) State {
	dt, how := s.pass(r.Stamp)
	if how == ignored {
		return s
	}
	f := flowOf(&r, 3.2*float64(m.Battery.Cells))
	m.count(&s, f, dt.Hours())
	m.anchor(&s, f, dt)
	s.NetW, s.LoadW = f.net()*f.volts, f.out*f.volts
	if w, ok := r.Get(reading.LoadWatts); ok {
		s.LoadW = w
	}
	return s
}

// count moves the charge by the measured current, and widens the band by what a sensor
// offset and an unmetered load of usual size would do.
func (m Model) count(s *State, f flow, hours float64) {
	s.X = min(max(s.X+f.net()*hours/m.Battery.CapacityAh, 0), 1)
	drift := 0.08 * hours / m.Battery.CapacityAh
	s.Var = min(s.Var+2*math.Sqrt(s.Var)*drift+drift*drift+1e-6*hours, 0.09)
}

// anchor sets the charge at a true full: absorption voltage with a small current, held.
func (m Model) anchor(s *State, f flow, dt time.Duration) {
	s.SinceFull += dt
	cell := f.volts / float64(m.Battery.Cells)
	tapered := f.voltsKnown && f.inKnown && cell > 3.42 && math.Abs(f.net()) < m.Battery.CapacityAh/25
	s.Curtailed = f.voltsKnown && f.in > 0 && cell > 3.42
	if !tapered {
		s.Held, s.Full = 0, false
		return
	}
	s.Held += min(dt.Hours(), 0.25)
	if s.Full = s.Held >= 0.25; s.Full {
		s.X, s.Var, s.SinceFull, s.FullSeen = 0.995, 0.01*0.01, 0, true
	}
}

// Belief reads the state out.
func (m Model) Belief(s *State) Belief {
	sd := math.Sqrt(s.Var)
	b := Belief{
		SoC: s.X, SoCSD: sd,
		Low: max(s.X-1.645*sd, 0), High: min(s.X+1.645*sd, 1),
		UsableAh: 0.9 * m.Battery.CapacityAh, UsableAhSD: 0.09 * m.Battery.CapacityAh,
		OffsetAmps: 0, OffsetSD: 0.035, UnmeteredWatts: 1, UnmeteredSD: 1,
		MilliOhms: math.NaN(), Full: s.Full, Curtailed: s.Curtailed, SinceFull: -1,
		NetWatts: s.NetW, LoadWatts: s.LoadW, Health: math.NaN(), HealthSD: math.NaN(),
	}
	if s.FullSeen {
		b.SinceFull = s.SinceFull
	}
	return b
}
