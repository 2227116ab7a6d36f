package sun

import (
	"math"
	"time"
)

// Constant is the solar constant, W/m². The correlations used here were fitted with 1367.
const Constant = 1367.0

// Normal is the irradiance above the air on a plane that faces the sun, W/m², on a day of
// the year. Source: Duffie & Beckman eq. 1.4.1a.
func Normal(dayOfYear int) float64 {
	return Constant * (1 + 0.033*math.Cos(2*math.Pi*float64(dayOfYear)/365))
}

// DailyExtraterrestrial is the irradiation above the air on a horizontal plane, kWh/m², on
// a day of the year. Source: Allen et al. 1998, eq. 21 to 25, with the solar constant here.
func DailyExtraterrestrial(dayOfYear int, lat float64) float64 {
	phi := lat * deg
	dec, ws := sunset(dayOfYear, lat)
	sum := ws*math.Sin(phi)*math.Sin(dec) + math.Cos(phi)*math.Cos(dec)*math.Sin(ws)
	return max(0, 24/math.Pi*Normal(dayOfYear)*sum/1000)
}

// sunset is the declination and the hour angle of the geometric sunset on a day of the year, both
// in radians. Source: Allen et al. 1998, eq. 24 and 25.
func sunset(dayOfYear int, lat float64) (dec, hourAngle float64) {
	dec = 0.409 * math.Sin(2*math.Pi*float64(dayOfYear)/365-1.39)
	return dec, math.Acos(max(-1, min(1, -math.Tan(lat*deg)*math.Tan(dec))))
}

// DayLength is how long the sun's centre stands above the horizon, hours, without refraction.
// Source: Allen et al. 1998, eq. 34.
func DayLength(dayOfYear int, lat float64) float64 {
	_, ws := sunset(dayOfYear, lat)
	return 24 / math.Pi * ws
}

// Clear is the global horizontal irradiance under a clear sky. Source: Haurwitz 1945, with
// the exponent 0.059, and 1 % for each 100 m of height (common practice).
func Clear(elevation, altitudeM float64) float64 {
	if elevation <= 0 {
		return 0
	}
	c := math.Sin(elevation * deg)
	return 1098 * c * math.Exp(-0.059/c) * (1 + 0.0001*max(0, min(4000, altitudeM)))
}

// Cloudy is the share of the clear irradiance under a cloud cover from 0 to 1. Source:
// Kasten & Czeplak 1980.
func Cloudy(cover float64) float64 {
	return 1 - 0.75*math.Pow(max(0, min(1, cover)), 3.4)
}

// Diffuse is the share of the global irradiance that is diffuse, for an hourly clearness
// index. Source: Erbs, Klein & Duffie 1982.
func Diffuse(kt float64) float64 {
	switch {
	case kt <= 0.22:
		return 1 - 0.09*max(0, kt)
	case kt <= 0.80:
		return 0.9511 + kt*(-0.1604+kt*(4.388+kt*(-16.638+kt*12.336)))
	}
	return 0.165
}

// At is the sun and the sky above it at one moment.
type At struct {
	Elevation, Azimuth float64
	Top                float64 // irradiance above the air on the horizontal plane, W/m²
	Normal             float64 // and facing the sun
	Clear              float64 // global horizontal irradiance were there no cloud
}

// Look gathers what the sun does at a moment and a place.
func Look(t time.Time, lat, lon, altitudeM float64) At {
	el, az := Position(t, lat, lon)
	return look(t, el, az, altitudeM)
}

func look(t time.Time, el, az, altitudeM float64) At {
	n := Normal(t.UTC().YearDay())
	return At{Elevation: el, Azimuth: az, Normal: n, Top: max(0, n*math.Sin(el*deg)), Clear: Clear(el, altitudeM)}
}

// ClearIndex is the clearness index of a whole day without cloud: the clear irradiation
// against that above the air. Where the sun does not rise it is 0.
func ClearIndex(dayOfYear int, lat, altitudeM float64) float64 {
	dec, ws := sunset(dayOfYear, lat)
	const steps = 24
	var clear, top float64
	for i := range steps {
		el, _ := horizontal(dec, ws*(float64(i)+0.5)/steps, lat*deg)
		clear += Clear(el, altitudeM)
		top += Normal(dayOfYear) * max(0, math.Sin(el*deg))
	}
	if top <= 0 {
		return 0
	}
	return clear / top
}
