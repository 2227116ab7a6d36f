package outlook

// The sky is cut into directions of the sun: 36 of azimuth by 5 of elevation.
const (
	horizonAz = 36
	horizonEl = 5
)

// Skyline is the share of the beam that reaches the panel from each direction: trees, a
// roof's edge, a mast. A direction that was never seen lets all through. N counts what each
// was learned from.
type Skyline struct {
	Share [horizonAz * horizonEl]float64
	N     [horizonAz * horizonEl]uint8
}

func horizonCell(elevation, azimuth float64) int {
	e := 0
	for _, top := range [...]float64{6, 12, 20, 35} {
		if elevation >= top {
			e++
		}
	}
	return e*horizonAz + min(horizonAz-1, max(0, int(azimuth/(360/horizonAz))))
}

// at is the share in the direction of the sun.
func (h *Skyline) at(elevation, azimuth float64) float64 {
	i := horizonCell(elevation, azimuth)
	if h.N[i] < 3 {
		return 1
	}
	return h.Share[i]
}

// learn takes in one clear hour: what share of the beam came through in a direction.
func (h *Skyline) learn(cell int, share float64) {
	share = max(0, min(1.05, share))
	n := h.N[cell]
	if n == 0 {
		h.Share[cell] = 1
	}
	rate := max(0.08, 1/(float64(n)+2))
	h.Share[cell] += rate * (share - h.Share[cell])
	h.Share[cell] = min(1, h.Share[cell])
	if n < 255 {
		h.N[cell] = n + 1
	}
}
