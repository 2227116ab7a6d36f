package sim

import (
	"math"
	"time"
)

// vec is a direction in the local frame: east, north, up.
type vec struct{ e, n, u float64 }

func (a vec) dot(b vec) float64 { return a.e*b.e + a.n*b.n + a.u*b.u }

// sunAt points at the sun, and gives its distance in astronomical units. Low-precision
// formulas of the Astronomical Almanac (page C5, from memory): good to 0.01° between 1950
// and 2050, no refraction.
func sunAt(t time.Time, lat, lon float64) (toward vec, distance float64) {
	n := float64(t.UnixMilli())/86400e3 + 2440587.5 - 2451545.0
	g := rad(357.528 + 0.9856003*n)
	sg, cg := math.Sincos(g)
	lambda := rad(280.460 + 0.9856474*n + 1.915*sg + 0.020*2*sg*cg)
	tilt := rad(23.439 - 0.0000004*n)
	sl, cl := math.Sincos(lambda)
	st, ct := math.Sincos(tilt)
	ra := math.Atan2(ct*sl, cl)
	sinDec := st * sl
	cosDec := math.Sqrt(1 - sinDec*sinDec)
	hour := rad(15*math.Mod(18.697374558+24.06570982441908*n, 24)+lon) - ra
	sh, ch := math.Sincos(hour)
	sp, cp := math.Sincos(rad(lat))
	toward = vec{
		e: -cosDec * sh,
		n: cp*sinDec - sp*cosDec*ch,
		u: sp*sinDec + cp*cosDec*ch,
	}
	return toward, 1.00014 - 0.01671*cg - 0.00014*(2*cg*cg-1)
}

// clearSky is the irradiance on level ground under a clean sky, W/m²: Haurwitz (1945),
// with the constant 0.057, times the sun's distance.
func clearSky(cosZenith, distance float64) float64 {
	if cosZenith <= 0.005 {
		return 0
	}
	return 1098 * cosZenith * math.Exp(-0.057/cosZenith) / (distance * distance)
}

// diffuseShare is how much of the light on level ground comes from the whole sky rather
// than from the sun, by the clearness kt: Orgill and Hollands (1977), from memory.
func diffuseShare(kt float64) float64 {
	switch {
	case kt < 0.35:
		return 1 - 0.249*kt
	case kt <= 0.75:
		return 1.557 - 1.84*kt
	}
	return 0.177
}

// onPlane is the irradiance on a tilted plane, W/m², from that on level ground: beam, the
// bright part of the sky near the sun (Hay and Davies), the rest of the sky, and the ground.
func onPlane(ghi float64, sun vec, distance float64, plane vec, horizonSin float64) float64 {
	if ghi <= 0 || sun.u <= 0 {
		return 0
	}
	top := 1361 / (distance * distance)
	share := diffuseShare(min(ghi/(top*max(sun.u, 0.03)), 1))
	diffuse := share * ghi
	beam := min((ghi-diffuse)/max(sun.u, 0.05), 0.8*top)
	if sun.u < horizonSin {
		beam = 0
	}
	near := beam / top
	facing := max(sun.dot(plane), 0)
	return beam*facing +
		diffuse*(near*facing/max(sun.u, 0.05)+(1-near)*(1+plane.u)/2) +
		0.2*ghi*(1-plane.u)/2
}

func rad(deg float64) float64 { return deg * math.Pi / 180 }
