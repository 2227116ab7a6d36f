package sim

import (
	"math"
	"math/rand/v2"
	"time"

	"ebbwatch/collector/reading"
)

// Sensors says what the node measures, and how badly.
type Sensors struct {
	Quantities  []reading.Quantity // nil: [ControllerQuantities]
	Errors      map[reading.Quantity]Error
	DropsPerDay float64       // how often the meters fall silent
	DropMean    time.Duration // for how long, on average; 20 min
}

// Error is how a meter is wrong: it says x·(1+Gain)+Offset with normal noise, in whole steps.
type Error struct {
	Gain   float64 // relative
	Offset float64 // in the quantity's unit, as is the rest
	Noise  float64 // standard deviation
	Step   float64 // resolution; 0 is perfect
}

// ControllerQuantities is what a charge controller with a shunt at the battery reports.
func ControllerQuantities() []reading.Quantity {
	return []reading.Quantity{
		reading.BatteryVolts, reading.BatteryAmps, reading.BatteryCelsius,
		reading.PanelVolts, reading.PanelAmps, reading.PanelWatts, reading.ChargeAmps,
		reading.LoadVolts, reading.LoadAmps, reading.LoadWatts, reading.LoadOn,
		reading.ControllerCelsius, reading.ChargeStage, reading.ControllerSoC,
	}
}

// UsualErrors is a decent controller: hundredths of a volt and of an ampere, a little noise,
// no gain or offset error.
func UsualErrors() map[reading.Quantity]Error {
	return map[reading.Quantity]Error{
		reading.BatteryVolts:      {Noise: 0.004, Step: 0.01},
		reading.BatteryAmps:       {Noise: 0.010, Step: 0.01},
		reading.BatteryCelsius:    {Noise: 0.05, Step: 0.1},
		reading.PanelVolts:        {Noise: 0.02, Step: 0.01},
		reading.PanelAmps:         {Noise: 0.010, Step: 0.01},
		reading.PanelWatts:        {Noise: 0.1, Step: 0.1},
		reading.ChargeAmps:        {Noise: 0.010, Step: 0.01},
		reading.LoadVolts:         {Noise: 0.004, Step: 0.01},
		reading.LoadAmps:          {Noise: 0.005, Step: 0.01},
		reading.LoadWatts:         {Noise: 0.05, Step: 0.1},
		reading.AirCelsius:        {Noise: 0.1, Step: 0.1},
		reading.ControllerCelsius: {Noise: 0.1, Step: 0.1},
		reading.ControllerSoC:     {Step: 0.01},
	}
}

// meters is the state of the sensors.
type meters struct {
	kinds      []reading.Quantity
	errors     [reading.NumSite]Error
	perSec     float64
	dropMean   float64
	silent     float64 // seconds of silence left
	panelVolts float64
	rng        *rand.Rand
}

func newMeters(spec Sensors, rng *rand.Rand) meters {
	m := meters{kinds: spec.Quantities, rng: rng, perSec: spec.DropsPerDay / 86400, dropMean: spec.DropMean.Seconds()}
	if m.kinds == nil {
		m.kinds = ControllerQuantities()
	}
	if m.dropMean <= 0 {
		m.dropMean = 1200
	}
	for q, e := range spec.Errors {
		if q < reading.NumSite {
			m.errors[q] = e
		}
	}
	return m
}

func (m *meters) step(sec float64, rng *rand.Rand) {
	m.silent = max(m.silent-sec, 0)
	if m.perSec > 0 && m.silent == 0 && rng.Float64() < m.perSec*sec {
		m.silent = m.dropMean * rng.ExpFloat64()
	}
}

func (m *meters) see(q reading.Quantity, x float64) float64 {
	e := m.errors[q]
	x = x*(1+e.Gain) + e.Offset
	if e.Noise > 0 {
		x += e.Noise * m.rng.NormFloat64()
	}
	if e.Step > 0 {
		x = math.Round(x/e.Step) * e.Step
	}
	return x
}

// Measured is what the node's meters say now. It is empty while they are silent, or the
// battery's protection has opened.
func (s *Site) Measured() []reading.Value {
	if s.Silent() {
		return nil
	}
	out := make([]reading.Value, 0, len(s.meters.kinds))
	for _, q := range s.meters.kinds {
		out = append(out, reading.Value{Quantity: q, X: s.measure(q)})
	}
	return out
}

// Reading is what the meters say now, as one reading at the node's own time. It allocates
// nothing.
func (s *Site) Reading() reading.Reading {
	r := reading.Reading{Stamp: s.Stamp()}
	if s.Silent() {
		return r
	}
	for _, q := range s.meters.kinds {
		r.Set(q, s.measure(q))
	}
	return r
}

// Stamp is the node's present moment, with a clock that is right.
func (s *Site) Stamp() reading.Stamp {
	return reading.Stamp{Mono: s.now.Sub(s.spec.Start), Wall: s.now, Trusted: true}
}

// Silent tells whether the meters do not answer.
func (s *Site) Silent() bool { return s.meters.silent > 0 || s.truth.Open || s.hands.muted }

func (s *Site) measure(q reading.Quantity) float64 {
	x := s.meters.see(q, s.actual(q))
	info := bounds(q)
	return min(max(x, info.lo), info.hi)
}

// actual is the true value of what a quantity stands for. The meters see the load output and
// the charger, never what is wired past them.
func (s *Site) actual(q reading.Quantity) float64 {
	t := &s.truth
	switch q {
	case reading.BatteryVolts, reading.LoadVolts:
		if q == reading.LoadVolts && (!t.LoadOn || s.hands.off) {
			return 0
		}
		return t.Volts
	case reading.BatteryAmps:
		return t.Amps + t.UnmeteredWatts/max(t.Volts, 6)
	case reading.BatteryCelsius:
		return t.Celsius
	case reading.PanelVolts:
		return s.meters.panelVolts
	case reading.PanelAmps:
		if !s.spec.Charger.MPPT {
			return t.ChargeAmps // the panel is switched straight on
		}
		if s.meters.panelVolts < 1 {
			return 0
		}
		return t.PanelWatts / s.meters.panelVolts
	case reading.PanelWatts:
		return t.PanelWatts
	case reading.ChargeAmps:
		return t.ChargeAmps
	case reading.LoadAmps:
		return t.LoadWatts / max(t.Volts, 6)
	case reading.LoadWatts:
		return t.LoadWatts
	case reading.LoadOn:
		return yes(t.LoadOn)
	case reading.AirCelsius:
		return t.AirCelsius
	case reading.ControllerCelsius:
		return s.cells.box + 0.06*t.PanelWatts
	case reading.ChargeStage:
		return float64(t.Stage)
	case reading.ControllerSoC:
		// A straight line through the voltage, as simple controllers draw it.
		return (t.Volts/float64(s.spec.Battery.Series) - 2.95) / 0.45
	}
	return 0
}

type span struct{ lo, hi float64 }

// bounds keeps what a meter cannot show out: a current that is known to flow one way is
// never negative.
func bounds(q reading.Quantity) span {
	switch q {
	case reading.BatteryAmps, reading.BatteryCelsius, reading.AirCelsius, reading.ControllerCelsius:
		return span{-300, 300}
	case reading.ControllerSoC, reading.LoadOn:
		return span{0, 1}
	}
	return span{0, 10000}
}

func yes(b bool) float64 {
	if b {
		return 1
	}
	return 0
}
