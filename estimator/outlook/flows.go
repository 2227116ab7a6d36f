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

// converter is what a charger passes on of the panel's power: 0.93 to 0.98, common practice.
const converter = 0.95

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
	f := flows{harvest: chargeSide(r, volts), load: loadSide(r, volts, b)}
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

func orZero(x float64) float64 {
	if math.IsNaN(x) {
		return 0
	}
	return x
}

// chargeSide is the power out of the charger.
func chargeSide(r *reading.Reading, volts float64) float64 {
	amps, okA := r.Get(reading.ChargeAmps)
	watts, okW := r.Get(reading.PanelWatts)
	pv, okV := r.Get(reading.PanelVolts)
	pa, okP := r.Get(reading.PanelAmps)
	switch {
	case okA:
		return amps * volts
	case okW:
		return watts * converter
	case okV && okP:
		return pv * pa * converter
	}
	return math.NaN()
}

// loadSide is the metered load and what is believed to leave past the meters.
func loadSide(r *reading.Reading, volts float64, b battery.Belief) float64 {
	amps, okA := r.Get(reading.LoadAmps)
	watts, okW := r.Get(reading.LoadWatts)
	switch {
	case okW:
		return watts + drain(b)
	case okA:
		return amps*volts + drain(b)
	}
	return math.NaN()
}
