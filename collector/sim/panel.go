package sim

import (
	"math"
	"time"
)

// Panel is the solar panel.
type Panel struct {
	WattsPeak  float64
	TiltDeg    float64 // from horizontal
	AzimuthDeg float64 // from north, clockwise
	Vmp        float64 // volts at full power in the standard test; 18 (a panel for 12.8 V)
	Loss       float64 // share lost to dirt, wiring and age; 0 is none
	HorizonDeg float64 // below this elevation something hides the sun
}

func (p Panel) withDefaults() Panel {
	p.Vmp = or(p.Vmp, 18)
	return p
}

// sunlight is what reaches the node at one moment.
type sunlight struct {
	ghi, poa, air float64
	watts         float64 // the panel's best, W
	short         float64 // short-circuit current, A
	vmp, voc      float64 // at the panel's temperature, V
}

// light turns the sky into what the panel can give. It is worked out at the ends of slots of
// five minutes and drawn straight between, since a year has half a million minutes.
type light struct {
	spec       Spec
	plane      vec
	horizonSin float64
	from       time.Time
	a, b       sunlight
	made       bool
}

func newLight(spec Spec) light {
	tilt, az := rad(spec.Panel.TiltDeg), rad(spec.Panel.AzimuthDeg)
	return light{
		spec: spec, horizonSin: math.Sin(rad(spec.Panel.HorizonDeg)),
		plane: vec{math.Sin(tilt) * math.Sin(az), math.Sin(tilt) * math.Cos(az), math.Cos(tilt)},
	}
}

func (l *light) at(t time.Time) sunlight {
	from := t.Truncate(slot)
	switch {
	case l.made && from.Equal(l.from):
	case l.made && from.Equal(l.from.Add(slot)):
		l.from, l.a, l.b = from, l.b, l.knot(from.Add(slot))
	default:
		l.from, l.a, l.b, l.made = from, l.knot(from), l.knot(from.Add(slot)), true
	}
	return mix(l.a, l.b, float64(t.Sub(from))/float64(slot))
}

func mix(a, b sunlight, share float64) sunlight {
	m := func(x, y float64) float64 { return x + (y-x)*share }
	return sunlight{
		ghi: m(a.ghi, b.ghi), poa: m(a.poa, b.poa), air: m(a.air, b.air),
		watts: m(a.watts, b.watts), short: m(a.short, b.short),
		vmp: m(a.vmp, b.vmp), voc: m(a.voc, b.voc),
	}
}

func (l *light) knot(t time.Time) sunlight {
	air := l.spec.Sky.At(t)
	out := sunlight{ghi: air.GHI, air: air.Celsius}
	if air.GHI > 0 {
		sun, distance := sunAt(t, l.spec.Latitude, l.spec.Longitude)
		out.poa = onPlane(air.GHI, sun, distance, l.plane, l.horizonSin)
	}
	l.spec.Panel.electrical(&out)
	return out
}

// electrical fills in what the panel can give. Per kelvin a silicon panel loses 0.4 % of its
// power and 0.3 % of its voltage, and it is 0.031 K warmer than the air per W/m² (a normal
// operating cell temperature of 45 °C): common practice.
func (p Panel) electrical(s *sunlight) {
	hot := s.air + 0.031*s.poa - 25
	sun := s.poa / 1000 * (1 - p.Loss)
	imp := p.WattsPeak / p.Vmp
	s.short = 1.07 * imp * sun
	dim := 0.0
	if sun > 0.001 {
		dim = 0.04 * math.Log(sun)
	}
	s.vmp = p.Vmp * (1 - 0.004*hot)
	s.voc = 1.22 * p.Vmp * (1 - 0.003*hot + dim)
	s.watts = p.WattsPeak * sun * (1 - 0.004*hot)
	if sun <= 0.001 {
		s.watts, s.short, s.voc = 0, 0, 0
	}
}

// ampsAt is the current of the panel held at v volts: the exponential of a diode, fitted
// through open circuit and the point of full power.
func (s sunlight) ampsAt(v float64) float64 {
	if s.short <= 0 || v >= s.voc {
		return 0
	}
	knee := (s.voc - s.vmp) / 2.73 // at vmp, 6.5 % of the short-circuit current is lost
	return s.short * (1 - math.Exp((v-s.voc)/max(knee, 0.05)))
}
