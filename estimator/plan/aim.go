package plan

import "math"

// Aim is what pointing the panel elsewhere would do.
type Aim struct {
	TiltDeg    float64 `json:"tilt_deg"`
	AzimuthDeg float64 `json:"azimuth_deg"`
	LLP        float64 `json:"loss_of_load"`
	Best       bool    `json:"best"`
}

// Directions is how many directions each tilt is tried in.
const Directions = 5

const tiltsTried = 6

func tilts() [tiltsTried]float64 { return [tiltsTried]float64{15, 30, 45, 60, 75, 90} }

// turns are from the equator's side, degrees, towards the east where negative.
func turns() [Directions]float64 { return [Directions]float64{-90, -45, 0, 45, 90} }

// Aims works out the loss of load under the same skies for each tilt (rows) and direction,
// east first. progress may be nil.
func (y *Year) Aims(years []Winter, progress func(done, of int)) []Aim {
	var out []Aim
	best := 0
	for _, tilt := range tilts() {
		for _, turn := range turns() {
			other := *y.kit
			other.Site.TiltDeg, other.Site.AzimuthDeg = tilt, 180+turn
			if y.kit.Site.Latitude < 0 {
				other.Site.AzimuthDeg = math.Mod(360-turn, 360)
			}
			a := Aim{TiltDeg: tilt, AzimuthDeg: other.Site.AzimuthDeg, LLP: other.Prepare(1).LLP(years, Try{})}
			out = append(out, a)
			if a.LLP < out[best].LLP {
				best = len(out) - 1
			}
			if progress != nil {
				progress(len(out), tiltsTried*Directions)
			}
		}
	}
	out[best].Best = true
	return out
}
