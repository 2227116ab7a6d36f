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
	in, out := r.ChargeCurrent(f.volts), r.LoadCurrent(f.volts)
	f.in, f.inKnown, f.rough = in.X, in.Known, in.Rough
	f.out, f.outKnown, f.rough = out.X, out.Known, max(f.rough, out.Rough)
	if on, ok := r.Get(reading.LoadOn); ok && on == 0 && !out.Known {
		f.outKnown, f.off = true, true
	}
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
