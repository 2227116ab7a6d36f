package estimator

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
	Placeholder float64
}

// Start is the belief before the first reading.
func (m Model) Start() State { return State{} }

// Step moves the belief on to the moment of r. The same inputs give the same belief.
func (m Model) Step(s State, r reading.Reading) State { return s }

// Belief reads the state out.
func (m Model) Belief(s *State) Belief { return Belief{} }
