package sun

import (
	"math"
	"time"

	"github.com/soniakeys/meeus/v3/julian"
	"github.com/soniakeys/meeus/v3/sidereal"
	"github.com/soniakeys/meeus/v3/solar"
)

// deltaT is terrestrial time less universal time, s. It was 69 s in 2024 and moves by less
// than a second a year; ten seconds are 0.0001 degrees of sun.
const deltaT = 69

const deg = math.Pi / 180

// Equatorial is the apparent right ascension and declination, degrees, and the apparent
// hour angle at Greenwich, degrees from -180 to 180, west positive.
func Equatorial(t time.Time) (rightAscension, declination, greenwich float64) {
	jd := julian.TimeToJD(t.UTC())
	ra, dec := solar.ApparentEquatorial(jd + deltaT/86400.0)
	st := sidereal.Mean(jd).Angle().Deg()
	h := math.Remainder(st-ra.Deg(), 360)
	return ra.Deg(), dec.Deg(), h
}

// Position is the geometric elevation above the horizon (no refraction) and the azimuth
// of the sun's centre as seen from a place. It was within 0.009° of an ephemeris.
func Position(t time.Time, lat, lon float64) (elevation, azimuth float64) {
	_, dec, h := Equatorial(t)
	return horizontal(dec*deg, (h+lon)*deg, lat*deg)
}

func horizontal(dec, h, lat float64) (elevation, azimuth float64) {
	sinH, cosH := math.Sincos(h)
	sinD, cosD := math.Sincos(dec)
	sinL, cosL := math.Sincos(lat)
	sinE := sinL*sinD + cosL*cosD*cosH
	// The eight seconds of parallax are left out: they are less than the error in place.
	elevation = math.Asin(max(-1, min(1, sinE))) / deg
	azimuth = math.Atan2(-sinH*cosD, sinD*cosL-cosD*cosH*sinL) / deg
	if azimuth < 0 {
		azimuth += 360
	}
	return elevation, azimuth
}

// Elevation is the geometric elevation of the sun's centre, degrees, without refraction.
func Elevation(t time.Time, lat, lon float64) float64 {
	e, _ := Position(t, lat, lon)
	return e
}

// Refraction is what air of 1010 hPa and 10 °C adds to a geometric elevation, degrees.
// Below -1 degree it is 0. Source: Saemundsson's formula, Meeus (16.4).
func Refraction(elevation float64) float64 {
	if elevation < -1 {
		return 0
	}
	return 1.02 / math.Tan((elevation+10.3/(elevation+5.11))*deg) / 60
}

// EquationOfTime is apparent less mean solar time at the moment, minutes.
func EquationOfTime(t time.Time) float64 {
	_, _, h := Equatorial(t)
	u := t.UTC()
	day := float64(u.Hour())*3600 + float64(u.Minute())*60 + float64(u.Second()) + float64(u.Nanosecond())/1e9
	return math.Remainder(h-(day/240-180), 360) * 4
}

// Horizon is the elevation of the sun's centre at rise and set: 34 minutes of refraction
// and 16 of radius.
const Horizon = -0.8333

// Day is the sun's day at a place, in universal time. Where the sun does not cross the
// horizon, Rise and Set are zero and Length is 0 or 24 h.
type Day struct {
	Rise, Noon, Set time.Time
	Length          time.Duration
}

// DayOf finds the day whose noon is the solar noon of the local date of t at that
// longitude: rise, noon and set of one and the same day, also where universal midnight
// falls between them.
func DayOf(t time.Time, lat, lon float64) Day {
	noon := Noon(t, lon)
	_, dec, _ := Equatorial(noon)
	d := Day{Noon: noon}
	cosH := cosHourAngle(lat, dec, Horizon)
	switch {
	case cosH >= 1:
		return d
	case cosH <= -1:
		d.Length = 24 * time.Hour
		return d
	}
	d.Rise = crossing(noon, -math.Acos(cosH)/deg, lat, lon)
	d.Set = crossing(noon, math.Acos(cosH)/deg, lat, lon)
	d.Length = d.Set.Sub(d.Rise)
	return d
}

// Noon is the moment of the sun's transit nearest to the middle of the solar day that
// holds t.
func Noon(t time.Time, lon float64) time.Time {
	local := t.UTC().Add(time.Duration(lon / 15 * float64(time.Hour)))
	mid := local.Truncate(24 * time.Hour).Add(12 * time.Hour)
	noon := mid.Add(-time.Duration(lon / 15 * float64(time.Hour)))
	for range 3 {
		_, _, h := Equatorial(noon)
		noon = noon.Add(-time.Duration(math.Remainder(h+lon, 360) / 360 * float64(24*time.Hour)))
	}
	return noon
}

func cosHourAngle(lat, dec, elevation float64) float64 {
	return (math.Sin(elevation*deg) - math.Sin(lat*deg)*math.Sin(dec*deg)) / (math.Cos(lat*deg) * math.Cos(dec*deg))
}

// crossing refines the moment at which the sun is at the horizon, from a first hour angle.
func crossing(noon time.Time, h0, lat, lon float64) time.Time {
	at := noon.Add(time.Duration(h0 / 360 * float64(24*time.Hour)))
	for range 4 {
		_, dec, gha := Equatorial(at)
		c := max(-1, min(1, cosHourAngle(lat, dec, Horizon)))
		want := math.Copysign(math.Acos(c)/deg, h0)
		at = at.Add(time.Duration(math.Remainder(want-(gha+lon), 360) / 360 * float64(24*time.Hour)))
	}
	return at
}
