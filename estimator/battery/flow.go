package battery

import "ebbwatch/collector/reading"

// flow is what one reading says of the current through the battery.
type flow struct {
	in, out           float64 // A, never negative; a side that is not known is 0
	inKnown, outKnown bool
	rough             float64 // relative error beyond that of a good current sensor
	sun, sunKnown     bool    // the panel gives something
	volts             float64 // at the battery
	voltsKnown        bool
	off               bool // the load output is off, which tells nothing of the load at other times
}

// net is the measured current into the battery, A.
func (f flow) net() float64 { return f.in - f.out }

// converterShare is what a maximum-power controller passes on of the panel's power; common
// practice, 0.93 to 0.98.
const converterShare = 0.95

// flowOf picks the best description of the current that the reading offers: the battery's
// own sensor, else charge and load, else powers over the voltage.
func flowOf(r *reading.Reading, cells float64) flow {
	nominal := 3.2 * cells
	f := flow{volts: nominal}
	if v, ok := r.Get(reading.BatteryVolts); ok && v > nominal/3 {
		f.volts, f.voltsKnown = v, true
	}
	if i, ok := r.Get(reading.BatteryAmps); ok {
		f.in, f.out, f.inKnown, f.outKnown = max(i, 0), max(-i, 0), true, true
		f.daylight(r, f.volts/cells)
		return f
	}
	f.chargeSide(r)
	f.loadSide(r)
	f.daylight(r, f.volts/cells)
	return f
}

// daylight tells whether the panel gives something, from whatever would show it: its
// current, else its voltage, else a battery held above any resting voltage.
func (f *flow) daylight(r *reading.Reading, cell float64) {
	for _, q := range [...]reading.Quantity{reading.PanelWatts, reading.ChargeAmps, reading.PanelAmps} {
		if x, ok := r.Get(q); ok {
			f.sun, f.sunKnown = x > 0.2, true
			return
		}
	}
	if x, ok := r.Get(reading.PanelVolts); ok && f.voltsKnown {
		f.sun, f.sunKnown = x > 0.8*f.volts, true
		return
	}
	f.sun, f.sunKnown = f.in > 0.3 || f.voltsKnown && cell > restMost, f.inKnown
}

func (f *flow) chargeSide(r *reading.Reading) {
	amps, okAmps := r.Get(reading.ChargeAmps)
	watts, okWatts := r.Get(reading.PanelWatts)
	pvV, okV := r.Get(reading.PanelVolts)
	pvA, okA := r.Get(reading.PanelAmps)
	switch {
	case okAmps:
		f.in, f.inKnown = amps, true
	case okWatts:
		f.in, f.inKnown, f.rough = watts*converterShare/f.volts, true, 0.04
	case okV && okA:
		f.in, f.inKnown, f.rough = pvV*pvA*converterShare/f.volts, true, 0.04
	case okA:
		f.in, f.inKnown, f.rough = pvA, true, 0.1
	}
}

func (f *flow) loadSide(r *reading.Reading) {
	amps, okAmps := r.Get(reading.LoadAmps)
	watts, okWatts := r.Get(reading.LoadWatts)
	on, okOn := r.Get(reading.LoadOn)
	switch {
	case okAmps:
		f.out, f.outKnown = amps, true
	case okWatts:
		f.out, f.outKnown, f.rough = watts/f.volts, true, max(f.rough, 0.01)
	case okOn && on == 0:
		f.outKnown, f.off = true, true
	}
}
