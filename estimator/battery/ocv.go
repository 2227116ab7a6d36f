package battery

// The open-circuit voltage of one LiFePO4 cell at 25 °C. The figures up to 0.95 follow the
// curve of a public cell parameter file (about 3.19 V at 10 %, 3.28 V at 50 %, 3.32 V at
// 90 %), with its step near 65 % drawn a little wider because its place differs from cell
// to cell. Near full, curves differ more than they agree; the upturn is left to the anchors.
const curveStep = 0.05

func curve() [21]float64 {
	return [...]float64{
		2.20, 3.137, 3.186, 3.212, 3.232, 3.252, 3.266, 3.272, 3.275, 3.277, 3.280,
		3.282, 3.287, 3.297, 3.308, 3.315, 3.319, 3.322, 3.325, 3.330, 3.36,
	}
}

// lowest is the curve below its first step, where it bends too much for straight lines.
func lowest() [6]float64 { return [...]float64{2.20, 2.72, 2.94, 3.05, 3.105, 3.137} }

// OCV is the open-circuit voltage of a cell at charge x, V at 25 °C between the branches of
// charging and discharging, and its slope, V for the whole charge. Below empty and above full
// it goes on straight.
func OCV(x float64) (volts, slope float64) {
	if x < curveStep {
		low := lowest()
		return between(low[:], x/(curveStep/5), curveStep/5)
	}
	c := curve()
	return between(c[:], x/curveStep, curveStep)
}

// between reads a table at a fractional place; beyond the ends the last slope goes on.
func between(table []float64, place, step float64) (y, slope float64) {
	k := min(max(int(place), 0), len(table)-2)
	d := table[k+1] - table[k]
	return table[k] + d*(place-float64(k)), d / step
}

// ChargeAt is the charge, 0 to 1, at which a cell rests at a voltage, V.
func ChargeAt(volts float64) float64 {
	low, high := 0.0, 1.0
	for range 20 {
		mid := (low + high) / 2
		if v, _ := OCV(mid); v < volts {
			low = mid
		} else {
			high = mid
		}
	}
	return low
}
