package radio

import "math"

// Gases is what the air itself takes at sea level, dB/km: oxygen, most around 60 GHz, and
// water vapour. Read from the figure of ITU-R P.676 and rounded up, from memory: the known
// peak is about 15 dB/km at 60 GHz; below 10 GHz it is next to nothing.
func Gases(mhz float64) float64 {
	points := [...][2]float64{ // GHz, dB/km
		{10, 0.02}, {15, 0.04}, {20, 0.12}, {22.2, 0.2}, {25, 0.18}, {30, 0.12}, {40, 0.17}, {45, 0.3}, {50, 0.6}, {52, 1.1}, {54, 2.8},
		{55, 4.6}, {56, 7.5}, {57, 10.5}, {58, 12.8}, {59, 14.4}, {60, 15.2}, {61, 15}, {62, 14.5}, {63, 11.8}, {64, 8.3}, {65, 5.2},
		{66, 2.9}, {68, 1.3}, {70, 0.8}, {75, 0.5}, {90, 0.5},
	}
	ghz := mhz / 1000
	if ghz <= points[0][0] {
		return 0 // a tenth of a decibel in ten kilometres
	}
	for i := 1; i < len(points); i++ {
		a, b := points[i-1], points[i]
		if ghz <= b[0] {
			return a[1] + (b[1]-a[1])*(ghz-a[0])/(b[0]-a[0])
		}
	}
	return points[len(points)-1][1]
}

// Rain is what rain of so many mm/h takes of a horizontally polarized wave, which loses most,
// dB/km: k R^α. Source: ITU-R P.838-3, for 1 GHz to 1 THz.
func Rain(mhz, rate float64) float64 {
	x := math.Log10(mhz / 1000)
	sum := func(terms [][3]float64, slope, offset float64) float64 {
		y := slope*x + offset
		for _, t := range terms {
			y += t[0] * math.Exp(-(x-t[1])*(x-t[1])/(t[2]*t[2]))
		}
		return y
	}
	k := math.Pow(10, sum([][3]float64{{-5.33980, -0.10008, 1.13098}, {-0.35351, 1.26970, 0.45400}, {-0.23789, 0.86036, 0.15354}, {-0.94158, 0.64552, 0.16817}},
		-0.18961, 0.71147))
	alpha := sum([][3]float64{{-0.14318, 1.82442, -0.55187}, {0.29591, 0.77564, 0.19822}, {0.32177, 0.63773, 0.13164}, {-5.37610, -0.96230, 1.47828}, {16.1721, -3.29980, 3.43990}},
		0.67849, -1.95537)
	return k * math.Pow(rate, alpha)
}

// Shower is the rain that a path is held against, mm/h: in a temperate climate it is exceeded
// in about an hour of the year; in the tropics three times as much is (ITU-R P.837).
const Shower = 30.0
