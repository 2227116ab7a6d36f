package sky

import (
	"math"
	"time"
)

// Air is what is believed of the normal course of the daily mean temperature over the year, °C: a
// mean and a wave of a year, that of the place and of whatever box the sensor sits in. The zero
// value is not begun.
type Air struct {
	X [3]float64 // mean, and the wave's cosine and sine, K; the cosine counts from the coldest day
	P [3][3]float64
}

// UsualAir is a rough one for a place, degrees, at an altitude, m, of which nothing else is known:
// half-way between an ocean and the middle of a continent, 6.5 K colder a kilometre up, and milder
// where the ocean lies to the west. From memory of world maps and of the monthly means of nine
// stations. It is there so that the cold is never left out: in winter a coast may be 10 K milder,
// the middle of a continent 12 K colder.
func UsualAir(lat, lon, altitudeM float64) Air {
	at := math.Abs(lat)
	a := Air{X: [3]float64{27 - 0.0075*at*at - 0.0065*max(0, altitudeM), -0.22 * at, 0}}
	if lat < 0 {
		a.X[1] = -0.13 * at // most of the south is sea
	}
	mild := west(lat, lon)
	a.X[0], a.X[1] = a.X[0]+3*mild, a.X[1]+4*mild
	for i, sd := range [3]float64{6, 0.5 + 0.11*at, 0.5 + 0.04*at} {
		a.P[i][i] = sd * sd
	}
	return a
}

// west is 1 on the western side of the northern continents, which the ocean's wind keeps mild
// in winter, and falls to 0 inland.
func west(lat, lon float64) float64 {
	if lat < 35 || lat > 68 {
		return 0
	}
	for _, coast := range [2][3]float64{{-25, 8, 35}, {-140, -121, -115}} { // from, to, and where it ends
		if lon >= coast[0] && lon < coast[2] {
			return min(1, (coast[2]-lon)/(coast[2]-coast[1]))
		}
	}
	return 0
}

// Months are the normals of the middles of the months, °C.
func (a *Air) Months(lat float64) []float64 {
	months := make([]float64, 12)
	for m := range months {
		months[m], _ = a.At(time.Date(2001, time.Month(m+1), 15, 12, 0, 0, 0, time.UTC), lat)
	}
	return months
}

// season is the row that turns X into the normal of a moment. The coldest day is about 17 January,
// half a year off in the south.
func airSeason(t time.Time, lat float64) [3]float64 {
	phase := 2 * math.Pi * float64(t.UTC().YearDay()-17) / 365
	if lat < 0 {
		phase += math.Pi
	}
	sin, cos := math.Sincos(phase)
	return [3]float64{1, cos, sin}
}

// At is the normal at a moment and its doubt, K.
func (a *Air) At(t time.Time, lat float64) (mean, sd float64) {
	h := airSeason(t, lat)
	v := 0.0
	for i := range h {
		mean += h[i] * a.X[i]
		for j := range h {
			v += h[i] * a.P[i][j] * h[j]
		}
	}
	return mean, math.Sqrt(max(0, v))
}

// airWander is the variance that a day adds to the doubt of the mean, K²: years differ, a box is
// moved, trees grow.
const airWander = 0.01

// See takes in the mean of a day. innovation is the variance of what a day adds to its anomaly:
// days go together, so that one alone says little of the normal.
func (a Air) See(t time.Time, lat, mean, innovation float64) Air {
	const keep = AirPersistence
	h := airSeason(t, lat)
	a.P[0][0] += airWander
	expected, sd := a.At(t, lat)
	s := sd*sd + innovation/((1-keep)*(1-keep)) // variance over days, times how many go together
	var g [3]float64
	for i := range g {
		for j := range h {
			g[i] += a.P[i][j] * h[j]
		}
	}
	for i := range g {
		a.X[i] += g[i] / s * (mean - expected)
	}
	for i := range g {
		for j := range g {
			a.P[i][j] -= g[i] * g[j] / s
		}
	}
	return a
}

// AirPersistence is how the days' mean temperatures follow each other about their normal, on
// nine stations from 3 to 53 degrees in winter: the anomaly of a day is 0.63 to 0.85 of that of
// the day before (a box that lags adds to it), five days on it is 0.2 to 0.4.
const AirPersistence = 0.8

// AirInnovation is what a day adds to its anomaly, K, before anything was measured: 1 in the
// tropics, 2 to 5 in the winters of middle latitudes.
func AirInnovation(lat float64) float64 { return 1 + 1.8*min(1, math.Abs(lat)/42) }

// AirWithSun is the correlation of what a day adds to its temperature with the score of its
// clearness. Clear winter days are cold (-0.2 to -0.4 on stations above 40 degrees), clear days of
// summer and of the tropics are warm (0.3 to 0.45). season is as [Process.Season].
func AirWithSun(season float64) float64 { return 0.3 - 0.55*max(0, season) }

// recordSD is the doubt of a normal that a record gives, K: its grid lies higher or lower than the
// site by some hundred metres, and the box is warmer than the air, or in the shade. Its waves are
// surer than its mean.
const recordMeanSD, recordWaveSD = 2.0, 1.0

// FitAir is the normal of a record of years: the mean and the wave that miss its days the least.
func FitAir(days []time.Time, means []float64, lat float64) Air {
	var a Air
	for i := range a.P {
		a.P[i][i] = 1e4
	}
	for i, t := range days {
		h := airSeason(t, lat)
		var g [3]float64
		expected, v := 0.0, 1.0 // any variance will do: all days weigh alike
		for j := range h {
			expected += h[j] * a.X[j]
			for k := range h {
				g[j] += a.P[j][k] * h[k]
			}
			v += h[j] * g[j]
		}
		for j := range g {
			a.X[j] += g[j] / v * (means[i] - expected)
		}
		for j := range g {
			for k := range g {
				a.P[j][k] -= g[j] * g[k] / v
			}
		}
	}
	a.P = [3][3]float64{{recordMeanSD * recordMeanSD}, {1: recordWaveSD * recordWaveSD}, {2: recordWaveSD * recordWaveSD}}
	return a
}
