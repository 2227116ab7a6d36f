package reading

// Flow is one current or power as a reading shows it. The zero Flow is not known.
type Flow struct {
	X     float64 // A or W, as the method that gave it says
	Rough float64 // relative error beyond that of a good meter, one standard deviation
	Known bool
}

// Methods that take the battery's voltage want 0 where it is not known: what would need it is
// then not known either.

// ConverterShare is what a maximum-power controller passes on of the panel's power: 0.93 to
// 0.98, common practice.
const ConverterShare = 0.95

// How rough what is derived is, besides the meters themselves.
const (
	shareRough  = 0.04 // ConverterShare and the battery's voltage at the controller
	switchRough = 0.1  // a controller that is taken to switch the panel straight through
	loadRough   = 0.01 // the voltage between load output and battery
)

// PanelPower is the power at the panel's terminals, W: as measured, else panel volts times
// panel amperes. Where the controller tells only what it charges with, that current times the
// battery's voltage: it lies behind the converter, so the panel gave some 5 % more.
func (r *Reading) PanelPower() Flow {
	if w, ok := r.Get(PanelWatts); ok {
		return Flow{X: w, Known: true}
	}
	if w, ok := r.product(PanelVolts, PanelAmps); ok {
		return Flow{X: w, Known: true}
	}
	if w, ok := r.product(ChargeAmps, BatteryVolts); ok {
		return Flow{X: w, Known: true, Rough: 1 - ConverterShare}
	}
	return Flow{}
}

// ChargeCurrent is the current out of the controller towards the battery, A, with the battery
// at volts: as measured, which loses nothing; else the panel's power less the converter's loss,
// over volts; else the panel's current, as a controller without a converter switches it
// through.
func (r *Reading) ChargeCurrent(volts float64) Flow {
	if a, ok := r.Get(ChargeAmps); ok {
		return Flow{X: a, Known: true}
	}
	if w, ok := r.converted(); ok {
		return quotient(w, volts, shareRough, true)
	}
	if a, ok := r.Get(PanelAmps); ok {
		return Flow{X: a, Rough: switchRough, Known: true}
	}
	return Flow{}
}

// ChargePower is the same flow as [Reading.ChargeCurrent], in W at the battery.
func (r *Reading) ChargePower(volts float64) Flow {
	if _, ok := r.Get(ChargeAmps); !ok {
		if w, ok := r.converted(); ok {
			return Flow{X: w, Rough: shareRough, Known: true}
		}
	}
	f := r.ChargeCurrent(volts)
	if !f.Known || volts <= 0 {
		return Flow{}
	}
	return Flow{X: f.X * volts, Rough: f.Rough, Known: true}
}

// LoadPower is the power of the load output, W, with the battery at volts: as measured, else
// load amperes times the voltage there, else times volts. A load that does not pass through
// the controller's output is in none of them.
func (r *Reading) LoadPower(volts float64) Flow {
	if w, ok := r.Get(LoadWatts); ok {
		return Flow{X: w, Known: true}
	}
	if w, ok := r.product(LoadVolts, LoadAmps); ok {
		return Flow{X: w, Known: true}
	}
	if a, ok := r.Get(LoadAmps); ok && volts > 0 {
		return Flow{X: a * volts, Rough: loadRough, Known: true}
	}
	return Flow{}
}

// LoadCurrent is the current through the load output, A: as measured, else the power over
// volts. Nothing is lost between battery and output but in the wire.
func (r *Reading) LoadCurrent(volts float64) Flow {
	if a, ok := r.Get(LoadAmps); ok {
		return Flow{X: a, Known: true}
	}
	w, ok := r.Get(LoadWatts)
	return quotient(w, volts, loadRough, ok)
}

// BatteryPower is the power into the battery, W, negative out of it: the battery's own current
// times its voltage. It is never made up from the other flows, since what passes them by would
// be missing.
func (r *Reading) BatteryPower() Flow {
	w, ok := r.product(BatteryAmps, BatteryVolts)
	return Flow{X: w, Known: ok}
}

// converted is the panel's power less the loss of the converter, W.
func (r *Reading) converted() (float64, bool) {
	w, ok := r.Get(PanelWatts)
	if !ok {
		w, ok = r.product(PanelVolts, PanelAmps)
	}
	return w * ConverterShare, ok
}

// quotient is a current from a power; without a voltage there is none.
func quotient(watts, volts, rough float64, known bool) Flow {
	if !known || volts <= 0 {
		return Flow{}
	}
	return Flow{X: watts / volts, Rough: rough, Known: true}
}

// product is a power from what a voltage and a current were measured as.
func (r *Reading) product(a, b Quantity) (float64, bool) {
	x, okX := r.Get(a)
	y, okY := r.Get(b)
	return x * y, okX && okY
}
