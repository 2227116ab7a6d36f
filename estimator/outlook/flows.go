package outlook

import (
	"math"
	"time"

	"ebbwatch/collector/reading"
	"ebbwatch/estimator/battery"
)

// flows is what one reading says of harvest and load, W at the battery. What is not known
// is NaN.
type flows struct {
	harvest, load float64
}

// flowsOf reads harvest and load from whatever is measured. With the battery's own current
// and the load both known, the harvest is their sum: then harvest less load is the measured
// net, and the errors of the panel's own meter do not matter. What leaves unmeasured, as
// the belief has it, counts as load.
func (m Model) flowsOf(s *State, r *reading.Reading, b battery.Belief, local time.Time, night bool) flows {
	volts, ok := r.Get(reading.BatteryVolts)
	if !ok {
		volts = 3.3 * m.cells()
	}
	net := math.NaN()
	if amps, ok := r.Get(reading.BatteryAmps); ok {
		net = amps*volts - drain(b)
	}
	f := flows{harvest: orNaN(r.ChargePower(volts)), load: orNaN(r.LoadPower(volts)) + drain(b)}
	switch {
	case !math.IsNaN(net) && !math.IsNaN(f.load):
		f.harvest = net + f.load
	case !math.IsNaN(net) && night:
		f.load, f.harvest = max(0, -net), 0
	case !math.IsNaN(net) && !math.IsNaN(f.harvest):
		f.load = max(0, f.harvest-net)
	case !math.IsNaN(net) && s.Load.Level > 0:
		f.harvest = net + s.Load.at(local)
	}
	f.harvest = max(f.harvest, 0) // NaN stays NaN
	return f
}

// drain is what leaves unmeasured, W: load past the meters and the sensor's zero error
// together. The two are known far better as a sum than apart.
func drain(b battery.Belief) float64 { return orZero(b.DrainWatts) }

func orNaN(f reading.Flow) float64 {
	if !f.Known {
		return math.NaN()
	}
	return f.X
}

func orZero(x float64) float64 {
	if math.IsNaN(x) {
		return 0
	}
	return x
}
