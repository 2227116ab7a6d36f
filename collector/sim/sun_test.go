package sim

import (
	"math"
	"testing"
	"time"
)

// The worked example of NREL/TP-560-34302 (Reda and Andreas), appendix A.5: elevation
// 39.872046° without refraction, azimuth 194.340241°.
func TestSunStandsWhereTheAlmanacSays(t *testing.T) {
	at := time.Date(2003, 10, 17, 12, 30, 30, 0, time.FixedZone("", -7*3600))
	sun, distance := sunAt(at, 39.742476, -105.1786)
	elevation := math.Asin(sun.u) * 180 / math.Pi
	azimuth := math.Mod(math.Atan2(sun.e, sun.n)*180/math.Pi+360, 360)
	if math.Abs(elevation-39.872046) > 0.02 || math.Abs(azimuth-194.340241) > 0.02 {
		t.Errorf("sun at elevation %.3f azimuth %.3f, want 39.872 and 194.340 within 0.02", elevation, azimuth)
	}
	if math.Abs(distance-0.9965422974) > 0.0002 {
		t.Errorf("distance %.5f, want 0.99654", distance)
	}
}

// The incidence on the tilted plane of the same example: 25.187° at slope 30°, turned 10°
// from south to the east (azimuth rotation -10°, west positive).
func TestAngleToATiltedPlane(t *testing.T) {
	at := time.Date(2003, 10, 17, 12, 30, 30, 0, time.FixedZone("", -7*3600))
	sun, _ := sunAt(at, 39.742476, -105.1786)
	l := newLight(Spec{Panel: Panel{TiltDeg: 30, AzimuthDeg: 170}})
	if got := math.Acos(sun.dot(l.plane)) * 180 / math.Pi; math.Abs(got-25.187) > 0.03 {
		t.Errorf("incidence %.3f°, want 25.187° within 0.03", got)
	}
}

// Haurwitz with the constant 0.057, the points of the check values: zenith 0, 40, 60, 80.
func TestClearSkyFollowsHaurwitz(t *testing.T) {
	for zenith, want := range map[float64]float64{0: 1037.16, 40: 780.80, 60: 489.85, 80: 137.31} {
		if got := clearSky(math.Cos(rad(zenith)), 1); math.Abs(got-want) > 0.1 {
			t.Errorf("zenith %v: %.2f W/m², want %.2f", zenith, got, want)
		}
	}
}

// On level ground the plane must see what the ground sees.
func TestLevelPlaneSeesWhatTheGroundSees(t *testing.T) {
	for _, u := range []float64{0.2, 0.5, 0.9} {
		sun := vec{n: -math.Sqrt(1 - u*u), u: u}
		for _, ghi := range []float64{20, 100, 220} {
			if got := onPlane(ghi, sun, 1, vec{u: 1}, 0); math.Abs(got-ghi) > 0.01*ghi {
				t.Errorf("sun %.1f, %v W/m²: level plane sees %.1f", u, ghi, got)
			}
		}
	}
}
