package outlook

import (
	"math"
	"time"

	"ebbwatch/estimator/sun"
)

// numLevels is how many clearness levels a day's harvest is worked out for; between them it
// is drawn straight.
const numLevels = 12

func levelKts() [numLevels]float64 {
	return [numLevels]float64{0.03, 0.06, 0.10, 0.15, 0.21, 0.28, 0.36, 0.45, 0.54, 0.63, 0.72, 0.82}
}

// albedo of the ground before the panel: grass or water's edge, common practice.
const albedo = 0.2

// batteryHold is the battery voltage at which a direct charger holds a 12 V panel.
const batteryHold = 13.3

// plant turns a sky into the panel's power by its label.
type plant struct {
	site  Site
	plane sun.Plane
	panel sun.Panel
	hold  float64
	kts   [numLevels]float64
}

func (m Model) plant() plant {
	cells := int(m.cells()) * 9 // a 12 V panel of 36 for each four of the battery
	return plant{
		site:  m.Site,
		plane: sun.Plane{TiltDeg: m.Site.TiltDeg, AzimuthDeg: m.Site.AzimuthDeg, Albedo: albedo},
		panel: sun.Panel{WattsPeak: m.Site.WattsPeak, Cells: cells},
		hold:  batteryHold / 4 * m.cells(),
		kts:   levelKts(),
	}
}

// view is one moment at the panel: where the sun is, and what a clear sky would give.
type view struct {
	sun.At
	ratio float64 // beam on the plane against beam on the ground
	shade float64 // share of the beam that gets past trees and roofs
	air   float64 // °C
}

func (p *plant) look(t time.Time, air float64, s *State) view {
	v := view{At: sun.Look(t, p.site.Latitude, p.site.Longitude, p.site.AltitudeM), air: air, shade: 1}
	if v.Top > 0 {
		v.ratio = p.plane.BeamRatio(v.Elevation, v.Azimuth)
		v.shade = s.Skyline.at(v.Elevation, v.Azimuth)
	}
	return v
}

// watts is the power by the label under a share c of the clear irradiance. The parts tell
// the beam, which trees may cut, from the rest.
func (p *plant) watts(v *view, c float64) (total, beam float64) {
	ghi := min(c*v.Clear, 0.85*v.Top)
	if ghi <= 0 {
		return 0, 0
	}
	kt := ghi / v.Top
	diffuse := ghi * sun.Diffuse(kt)
	around := max(0, min(1, (ghi-diffuse)/v.Top))
	cosT := p.cosTilt()
	direct := (ghi - diffuse + diffuse*around) * v.ratio * v.shade
	rest := diffuse*(1-around)*(1+cosT)/2 + ghi*albedo*(1-cosT)/2
	plane := direct + rest
	if plane <= 0 {
		return 0, 0
	}
	cell := sun.CellCelsius(v.air, plane, 45)
	if p.site.MPPT {
		total = p.panel.MPPT(plane, cell)
	} else {
		total = p.panel.PWM(plane, cell, p.hold)
	}
	return total, total * direct / plane
}

func (p *plant) cosTilt() float64 { return math.Cos(p.site.TiltDeg * math.Pi / 180) }

// levels is the power by the label at each level of the day's clearness. Within a day the
// hours are not alike: each level is the mean of a brighter and a darker half, which lets a
// middling day have its beam.
func (p *plant) levels(v *view, clearKt float64) (w [numLevels]float64) {
	if v.Top <= 0 || clearKt <= 0 {
		return w
	}
	for k, kt := range p.kts {
		c := kt / clearKt
		spread := max(0, 0.6*c*(1-c/1.2))
		a, _ := p.watts(v, c-spread)
		b, _ := p.watts(v, c+spread)
		w[k] = (a + b) / 2
	}
	return w
}

// dayTotals is the energy of a whole solar day at each level, Wh by the label.
func (p *plant) dayTotals(day int, air float64, s *State) (sum [numLevels]float64) {
	const steps = 48
	clearKt := p.clearKt(day)
	for i := range steps {
		t := p.dayStart(day).Add(time.Duration(float64(24*time.Hour) * (float64(i) + 0.5) / steps))
		v := p.look(t, air, s)
		if v.Top <= 0 {
			continue
		}
		for k, w := range p.levels(&v, clearKt) {
			sum[k] += w * 24 / steps
		}
	}
	return sum
}

func (p *plant) clearKt(day int) float64 {
	return sun.ClearIndex(p.noon(day).YearDay(), p.site.Latitude, p.site.AltitudeM)
}

// solarDay numbers the days by mean solar time at the site, so that a day's light is never
// cut in two.
func (p *plant) solarDay(t time.Time) int {
	return int(math.Floor((float64(t.Unix()) + p.site.Longitude*240) / 86400))
}

func (p *plant) dayStart(day int) time.Time {
	return time.Unix(int64(float64(day)*86400-p.site.Longitude*240), 0).UTC()
}

func (p *plant) noon(day int) time.Time { return p.dayStart(day).Add(12 * time.Hour) }

// clearness inverts a day's energies: which clearness gives got? The levels need not be of
// a whole day.
func clearness(kts, levels *[numLevels]float64, got float64) float64 {
	if got <= levels[0] {
		return kts[0] * max(got, 0) / max(levels[0], 1e-9)
	}
	for k := 1; k < numLevels; k++ {
		if got <= levels[k] {
			f := (got - levels[k-1]) / max(levels[k]-levels[k-1], 1e-9)
			return kts[k-1] + f*(kts[k]-kts[k-1])
		}
	}
	return kts[numLevels-1] * got / max(levels[numLevels-1], 1e-9)
}
