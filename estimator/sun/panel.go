package sun

import "math"

// Plane is a tilted surface. Azimuth is clockwise from north.
type Plane struct {
	TiltDeg, AzimuthDeg float64
	Albedo              float64 // of the ground before it
}

// Incidence is the cosine of the angle between the sun and the plane's normal; below 0 the
// sun is behind the plane. Source: Duffie & Beckman eq. 1.6.3.
func (p Plane) Incidence(elevation, azimuth float64) float64 {
	sinE, cosE := math.Sincos(elevation * deg)
	sinT, cosT := math.Sincos(p.TiltDeg * deg)
	return sinE*cosT + cosE*sinT*math.Cos((azimuth-p.AzimuthDeg)*deg)
}

// Grass is the albedo of grass or of a water's edge: common practice where nothing is known of
// the ground. Snow has 0.6 to 0.8.
const Grass = 0.2

// Parts is the irradiance on a plane by where it comes from, W/m².
type Parts struct {
	Beam   float64 // from the sun and, in the Hay-Davies sky, from around it
	Sky    float64
	Ground float64
}

// Total adds the parts.
func (p Parts) Total() float64 { return p.Beam + (p.Sky + p.Ground) }

// HayDavies puts horizontal irradiance on the plane, with the light around the sun counted
// with the beam, in the share that the beam has of top, the irradiance above the air. ratio is
// that of [Plane.BeamRatio]. Source: Hay & Davies 1980.
func (p Plane) HayDavies(top, ratio, global, diffuse float64) Parts {
	beam := global - diffuse
	around := 0.0
	if top > 0 {
		around = max(0, min(1, beam/top))
	}
	cosT := math.Cos(p.TiltDeg * deg)
	return Parts{
		Beam:   (beam + diffuse*around) * ratio,
		Sky:    diffuse * (1 - around) * (1 + cosT) / 2,
		Ground: global * p.Albedo * (1 - cosT) / 2,
	}
}

// BeamRatio is the beam on the plane against the beam on the ground. It is capped near the
// horizon, where a small error in height makes any ratio.
func (p Plane) BeamRatio(elevation, azimuth float64) float64 {
	sinE := math.Sin(elevation * deg)
	if sinE <= 0 {
		return 0
	}
	return max(0, p.Incidence(elevation, azimuth)) / max(sinE, 0.0175)
}

// CellCelsius is the temperature of the cells in an open rack. Source: the NOCT relation of
// IEC 61215 as commonly used; 45 °C when nothing better is known.
func CellCelsius(airCelsius, plane, nominal float64) float64 {
	return airCelsius + (nominal-20)/800*plane
}

// Panel is a photovoltaic panel by its label.
type Panel struct {
	WattsPeak float64
	// Cells in series; 36 for a 12 V panel. It sets the voltage at which a direct
	// connection holds the panel.
	Cells int
}

// gamma is the change of the most power with temperature, 1/K: -0.35 % is usual.
const gamma = -0.0035

// MPPT is the power at the panel's best point, W. Source: the linear form of
// NREL/TP-6A20-62641.
func (p Panel) MPPT(plane, cellCelsius float64) float64 {
	return max(0, p.WattsPeak*plane/1000*(1+gamma*(cellCelsius-25)))
}

// PWM is the power that the panel gives when it is held at the battery's voltage, W. The
// panel is taken as a current source with a knee: its current is that of a short circuit
// until the battery comes near the panel's own voltage, which falls as the cells warm. It
// is never more than [Panel.MPPT]. Fitted to a single-diode panel of 36 cells within 4 %.
func (p Panel) PWM(plane, cellCelsius, batteryVolts float64) float64 {
	if plane <= 0 || p.Cells <= 0 {
		return 0
	}
	n := float64(p.Cells) / 36
	warm := cellCelsius - 25
	// Of a 36-cell panel at 1000 W/m² and 25 °C: best point 17.3 V, short circuit 8.3 %
	// above the best point's current (common practice for crystalline cells).
	vmp := n * (17.3 - 0.104*warm + 0.45*math.Log(max(plane, 1)/1000))
	best := p.MPPT(plane, cellCelsius)
	imp := p.WattsPeak / (n * 17.3) * plane / 1000
	short := imp * 1.083 * (1 + 0.0005*warm)
	x := batteryVolts / max(vmp, 1)
	amps := short * (1 - 0.08*math.Pow(max(0, x), 8))
	return max(0, min(best, amps*batteryVolts))
}
