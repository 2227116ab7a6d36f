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

// batteryHold is the battery voltage at which a direct charger holds a 12 V panel.
const batteryHold = 13.3

// Array is the panel as it stands before a battery of so many cells in series: a 12 V panel of
// 36 cells goes with each four of the battery (common practice).
func (s Site) Array(batteryCells int) sun.Array {
	return sun.Array{
		Plane: sun.Plane{TiltDeg: s.TiltDeg, AzimuthDeg: s.AzimuthDeg, Albedo: sun.Grass},
		Panel: sun.Panel{WattsPeak: s.WattsPeak, Cells: 9 * max(batteryCells, 1)},
		MPPT:  s.MPPT,
	}
}

// unknownAir stands for the air's temperature where nobody measures it, °C: ten degrees off
// are 3.5 % of the power.
const unknownAir = 10

// ClearWatts is what the panel would give under a clear sky by its label, W, and where the sun
// is. The air's temperature, °C, and the battery's voltage may be NaN: not known.
func (s Site) ClearWatts(t time.Time, batteryCells int, air, volts float64) (float64, sun.At) {
	if math.IsNaN(air) {
		air = unknownAir
	}
	if math.IsNaN(volts) {
		volts = batteryHold / 4 * float64(max(batteryCells, 1))
	}
	array := s.Array(batteryCells)
	v := array.View(sun.Look(t, s.Latitude, s.Longitude, s.AltitudeM), air, volts)
	watts, _ := array.Watts(&v, v.Clear)
	return watts, v.At
}

// plant turns a sky into the panel's power by its label.
type plant struct {
	site  Site
	array sun.Array
	hold  float64 // V at which a direct charger holds the panel
	kts   [numLevels]float64

	course    sun.Course // of the solar day looked at last
	courseDay int
}

func (m Model) plant() plant {
	return plant{site: m.Site, array: m.Site.Array(m.Battery.Cells), hold: batteryHold / 4 * m.cells(), kts: levelKts(), courseDay: math.MinInt}
}

// view is a moment at the panel behind the trees that were learned.
func (p *plant) view(t time.Time, air float64, s *State) sun.View {
	if day := p.solarDay(t); day != p.courseDay {
		p.course, p.courseDay = sun.NewCourse(p.dayStart(day)), day
	}
	v := p.array.View(p.course.Look(t, p.site.Latitude, p.site.Longitude, p.site.AltitudeM), air, p.hold)
	if v.Top > 0 {
		v.Shade = s.Skyline.at(v.Elevation, v.Azimuth)
	}
	return v
}

// watts is the power by the label under a share of the clear irradiance, and the part of it
// that is owed to the beam.
func (p *plant) watts(v *sun.View, clear float64) (total, beam float64) {
	return p.array.Watts(v, clear*v.Clear)
}

// levels is the power by the label at each level of the day's clearness. Within a day the
// hours are not alike: each level is the mean of a brighter and a darker half, which lets a
// middling day have its beam.
func (p *plant) levels(v *sun.View, clearKt float64) (w [numLevels]float64) {
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
		v := p.view(t, air, s)
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
