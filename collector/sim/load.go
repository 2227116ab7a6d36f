package sim

import (
	"math"
	"math/rand/v2"
	"time"
)

// Load is what the node feeds.
type Load struct {
	DayWatts   float64 // of the radio and what hangs on the load output, by day
	NightWatts float64 // the same by night
	DayFrom    float64 // hour of day by the sun at which the day's traffic begins; 7
	DayTo      float64 // and ends; 22
	Flutter    float64 // relative standard deviation with the traffic; 0 is steady
	// What leaves the battery past every meter, W, and between which hours by the sun; equal
	// hours mean always.
	UnmeteredWatts                float64
	UnmeteredFrom, UnmeteredUntil float64
}

// demand is the state of the loads.
type demand struct {
	spec    Load
	lon     float64
	flutter float64
}

// step is the power asked for on the load output and past it, W.
func (d *demand) step(t time.Time, sec float64, rng *rand.Rand) (metered, unmetered float64) {
	hour := math.Mod(float64(t.UnixMilli())/3600e3+d.lon/15, 24)
	from, to := or(d.spec.DayFrom, 7), or(d.spec.DayTo, 22)
	metered = d.spec.NightWatts
	if between(hour, from, to) {
		metered = d.spec.DayWatts
	}
	if d.spec.Flutter > 0 {
		keep := math.Exp(-sec / 600)
		d.flutter = keep*d.flutter + math.Sqrt(1-keep*keep)*rng.NormFloat64()
		metered *= max(1+d.spec.Flutter*d.flutter, 0.3)
	}
	if d.spec.UnmeteredFrom == d.spec.UnmeteredUntil || between(hour, d.spec.UnmeteredFrom, d.spec.UnmeteredUntil) {
		unmetered = d.spec.UnmeteredWatts
	}
	return metered, unmetered
}

// between tells whether an hour lies in a span that may pass midnight.
func between(hour, from, to float64) bool {
	if from <= to {
		return hour >= from && hour < to
	}
	return hour >= from || hour < to
}
