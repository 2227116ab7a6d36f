package plan

import (
	"math"
	"time"

	"ebbwatch/estimator/outlook"
	"ebbwatch/estimator/sun"
)

// Yields are those of IEC 61724-1, in hours a day: energy over the panel's label.
type Yields struct {
	Reference   float64 `json:"reference_h"`   // irradiation on the plane over 1 kW/m²
	Array       float64 `json:"array_h"`       // what the charger gave
	Final       float64 `json:"final_h"`       // what the load got
	Capture     float64 `json:"capture_h"`     // lost at the panel, and not taken while full
	System      float64 `json:"system_h"`      // lost between charger and load
	Performance float64 `json:"performance"`   // Final over Reference
	BOS         float64 `json:"balance_ratio"` // Final over Array
}

// YieldsOf works them out of a day's irradiation on the plane, kWh/m², the energies of the
// array and the load, kWh, and the label, kW.
func YieldsOf(plane, array, used, label float64) Yields {
	y := Yields{Reference: plane, Array: array / label, Final: used / label}
	y.Capture, y.System = y.Reference-y.Array, y.Array-y.Final
	y.Performance, y.BOS = y.Final/y.Reference, y.Final/y.Array
	return y
}

func (y *Year) yields(years []Winter, ts []Tally) Yields {
	plane := y.plane()
	var irradiation, array, used float64
	for i := range years {
		for d := range Days {
			irradiation += float64(plane[d].At(years[i].Place[d])) / 1000
		}
		array += ts[i].Array / 1000
		used += ts[i].Served / 1000
	}
	n := float64(len(ts) * Days)
	return YieldsOf(irradiation/n, array/n, used/n, y.kit.Site.WattsPeak/1000)
}

// plane is the irradiation on the panel's plane on each day by the levels of clearness,
// Wh/m², the horizon left out: what the reference yield counts.
func (y *Year) plane() *[Days]outlook.Light {
	if y.planes != nil {
		return y.planes
	}
	y.planes = new([Days]outlook.Light)
	site := y.kit.Site
	plane := site.Array(y.kit.Battery.Cells).Plane
	kts := y.hourly.Kts()
	for d := range Days {
		start := y.hourly.DayStart(y.first + d)
		clear := sun.ClearIndex(start.Add(12*time.Hour).YearDay(), site.Latitude, site.AltitudeM)
		for h := range 24 {
			at := sun.Look(start.Add(time.Duration(h)*time.Hour+30*time.Minute), site.Latitude, site.Longitude, site.AltitudeM)
			if at.Top <= 0 || clear <= 0 {
				continue
			}
			for l, kt := range kts {
				y.planes[d][l] += float32(onPlane(plane, at, kt/clear))
			}
		}
	}
	return y.planes
}

// onPlane is the irradiance on the plane under a share of the clear sky's; within a day the
// hours are not alike, so it is the mean of a brighter and a darker half.
func onPlane(plane sun.Plane, at sun.At, share float64) (sum float64) {
	ratio := plane.BeamRatio(at.Elevation, at.Azimuth)
	apart := math.Max(0, 0.6*share*(1-share/1.2))
	for _, c := range [2]float64{share - apart, share + apart} {
		if global := min(c*at.Clear, 0.85*at.Top); global > 0 {
			sum += plane.HayDavies(at.Top, ratio, global, global*sun.Diffuse(global/at.Top)).Total() / 2
		}
	}
	return sum
}
