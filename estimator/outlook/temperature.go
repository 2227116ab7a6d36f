package outlook

import (
	"math"

	"ebbwatch/collector/reading"
)

// learn follows the temperatures over a span of hours.
func (w *Temperatures) learn(r *reading.Reading, hours float64, date int) {
	rate := 1 - math.Exp(-hours/24)
	if x, ok := r.Get(reading.AirCelsius); ok {
		if !w.AirOK {
			w.Air, w.AirOK = x, true
		}
		w.Air += rate * (x - w.Air)
	}
	x, ok := r.Get(reading.BatteryCelsius)
	if !ok {
		return
	}
	if !w.BatteryOK {
		w.Battery, w.BatteryOK, w.Swing = x, true, 2
	}
	w.Battery += rate * (x - w.Battery)
	if date != w.Date {
		if w.Date != 0 {
			w.Swing += 0.1 * (min((w.High-w.Low)/2, 15) - w.Swing)
		}
		w.Date, w.Low, w.High = date, x, x
	}
	w.Low, w.High = min(w.Low, x), max(w.High, x)
}

// air is the best mean temperature of the air there is, °C.
func (w *Temperatures) air() float64 {
	switch {
	case w.AirOK:
		return w.Air
	case w.BatteryOK:
		return w.Battery
	}
	return 10
}

// refusedCharge tells whether a cold battery refused the harvest just now, and counts both
// outcomes, so that a site that charges in the cold is found out.
func (w *Temperatures) refusedCharge(r *reading.Reading, refused bool, hours float64) bool {
	t, ok := r.Get(reading.BatteryCelsius)
	if !ok || t > 0.5 {
		return false
	}
	if refused {
		w.Inhibited = min(w.Inhibited+hours, 100)
		return w.inhibits() > 0.3
	}
	if t < -0.5 {
		w.Charged = min(w.Charged+hours, 100)
	}
	return false
}

// inhibits is the chance that charging stops below freezing. Protection circuits usually
// do so (common practice); hours of charge seen below freezing speak against it.
func (w *Temperatures) inhibits() float64 {
	return (3 + w.Inhibited) / (4 + w.Inhibited + 3*w.Charged)
}
