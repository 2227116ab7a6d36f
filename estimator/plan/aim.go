package plan

import "math"

// Aim is what pointing the panel elsewhere would do.
type Aim struct {
	TiltDeg    float64 `json:"tilt_deg"`
	AzimuthDeg float64 `json:"azimuth_deg"`
	LLP        float64 `json:"loss_of_load"`
	Best       bool    `json:"best"`
}

// Tilts and Turns are the aims that are tried, degrees; turns are from the equator's side,
// towards the east where negative.
func Tilts() [6]float64 { return [6]float64{15, 30, 45, 60, 75, 90} }

// Turns goes with [Tilts].
func Turns() [5]float64 { return [5]float64{-90, -45, 0, 45, 90} }

// Aims works out the loss of load under the same skies for each tilt (rows) and direction,
// east first. progress may be nil.
func (y *Year) Aims(years []Winter, progress func(done, of int)) []Aim {
	tilts, turns := Tilts(), Turns()
	var out []Aim
	best := 0
	for _, tilt := range tilts {
		for _, turn := range turns {
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
				progress(len(out), len(tilts)*len(turns))
			}
		}
	}
	out[best].Best = true
	return out
}
