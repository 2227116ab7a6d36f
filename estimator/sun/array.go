package sun

// Array is a panel as it stands and the kind of charger behind it: the whole way from the sky
// to watts.
type Array struct {
	Plane
	Panel
	MPPT bool // the charger finds the panel's best point; else (PWM) it holds it at the battery's voltage
}

// View is one moment as the array sees it.
type View struct {
	At
	Ratio float64 // beam on the plane against beam on the ground
	Shade float64 // share of the beam that gets past trees and roofs; 1 is all of it
	Air   float64 // °C
	Volts float64 // at which a charger without MPPT holds the panel
}

// View is what the array sees of a moment, with nothing before the sun.
func (a *Array) View(at At, air, volts float64) View {
	v := View{At: at, Shade: 1, Air: air, Volts: volts}
	if v.Top > 0 {
		v.Ratio = a.BeamRatio(v.Elevation, v.Azimuth)
	}
	return v
}

// brightest is the most of the irradiance above the air that reaches the ground, also where
// clouds beside the sun add to it: an hour's clearness index beyond is an error of the sky.
const brightest = 0.85

// nominalCell is the cells' temperature under 800 W/m² at 20 °C, °C; 45 is usual (IEC 61215).
const nominalCell = 45

// Watts is the power by the label under a global horizontal irradiance, W/m², and the part of
// it that is owed to the beam, which trees may cut.
func (a *Array) Watts(v *View, global float64) (total, beam float64) {
	global = min(global, brightest*v.Top)
	if global <= 0 {
		return 0, 0
	}
	light := a.HayDavies(v.Top, v.Ratio, global, global*Diffuse(global/v.Top))
	light.Beam *= v.Shade
	plane := light.Total()
	if plane <= 0 {
		return 0, 0
	}
	cell := CellCelsius(v.Air, plane, nominalCell)
	if a.MPPT {
		total = a.Panel.MPPT(plane, cell)
	} else {
		total = a.PWM(plane, cell, v.Volts)
	}
	return total, total * light.Beam / plane
}
