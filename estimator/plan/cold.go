package plan

import "math"

// GuessAir is a rough guess of the mean air temperature of each month, °C, for a place of
// which nothing else is known: half-way between an ocean and the middle of a continent, 6.5 K
// colder a kilometre up, and milder where the ocean lies to the west. From memory of world
// maps. It is there so that the cold is never left out, and is to be replaced by the place's
// own: in winter a coast may be 10 K milder and the middle of a continent 12 K colder.
func GuessAir(latitude, longitude, altitudeM float64) []float64 {
	lat := math.Abs(latitude)
	mean := 27 - 0.0075*lat*lat - 6.5*altitudeM/1000
	swing := 0.22 * lat
	if latitude < 0 {
		swing = -0.13 * lat // most of the south is sea
	}
	if mild := west(latitude, longitude); mild > 0 {
		mean, swing = mean+3*mild, swing-4*mild
	}
	air := make([]float64, 12)
	for m := range air {
		// The middle of January is the coldest in the north.
		air[m] = mean - swing*math.Cos(2*math.Pi*float64(m)/12)
	}
	return air
}

// west is 1 on the western side of the northern continents, which the ocean's wind keeps mild
// in winter, and falls to 0 inland.
func west(latitude, longitude float64) float64 {
	if latitude < 35 || latitude > 68 {
		return 0
	}
	for _, coast := range [2][3]float64{{-25, 8, 35}, {-140, -121, -115}} { // from, to, and where it ends
		if longitude >= coast[0] && longitude < coast[2] {
			return min(1, (coast[2]-longitude)/(coast[2]-coast[1]))
		}
	}
	return 0
}

// frost is whether the battery takes charge: it stops below freezing, and begins again only
// where it is as warm as the kit's release temperature, as protections do.
type frost bool

// next is the frost after an hour at a temperature.
func (f frost) next(celsius, release float32) frost {
	return frost(celsius < 0 || bool(f) && celsius < release)
}

// heater is the power that keeps the battery warm, W: what the box loses at the difference
// between what it is kept at and what it would be.
func (w *Weather) heater(celsius float32) float32 {
	if w.LossWK <= 0 {
		return 0
	}
	return max(0, float32(w.WarmTo)-celsius) * float32(w.LossWK)
}
