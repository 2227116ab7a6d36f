package outlook

import (
	"time"

	"ebbwatch/estimator/battery"
)

// Levels is how many levels of a day's clearness the light of an hour is worked out for.
const Levels = numLevels

// DarkShare is the share of the load that stays when it is cut off: the charger and the
// battery's protection.
const DarkShare = darkShare

// Light is a panel's power in one hour, W at the battery, at each level of the day's
// clearness.
type Light [Levels]float32

// At is the power at a place between the levels, as [HourlyModel.Place] gives it.
func (l *Light) At(place float32) float32 {
	if place < 0 {
		return l[0] * (1 + place)
	}
	k := min(int(place), Levels-2)
	return l[k] + (place-float32(k))*(l[k+1]-l[k])
}

// HourlyModel is the panel, the charger and the battery of the outlook taken out of it, for those
// who look further than ten days: the same physics, an hour at a time. It is not safe for
// several goroutines at once.
type HourlyModel struct {
	state  *State
	plant  plant
	future *Futures
}

// Hourly takes the parts out. s and b are what was learned, or [Model.Start] and the belief
// of a battery that nothing is known of.
func (m Model) Hourly(s *State, b battery.Belief) *HourlyModel {
	m = m.learned(s)
	f := &Futures{battery: m.Battery}
	f.fillVolts(m.Battery.Cells)
	f.ends(m, s, b)
	return &HourlyModel{state: s, plant: m.plant(), future: f}
}

// Kts are the levels of the day's clearness.
func (h *HourlyModel) Kts() [Levels]float64 { return h.plant.kts }

// Place is where a clearness index lies between the levels.
func (h *HourlyModel) Place(kt float64) float32 { return float32(place(&h.plant.kts, kt)) }

// SolarDay numbers the days by mean solar time, and DayStart is when one begins.
func (h *HourlyModel) SolarDay(t time.Time) int { return h.plant.solarDay(t) }

// DayStart is when a solar day begins.
func (h *HourlyModel) DayStart(day int) time.Time { return h.plant.dayStart(day) }

// Light is the power by the label in the hour that begins at t on a solar day, with the
// air at a temperature. It does not hold what was learned of the panel: [HourlyModel.Panel].
func (h *HourlyModel) Light(t time.Time, day int, air float64) (l Light) {
	clear := h.plant.clearKt(day)
	for _, off := range [2]time.Duration{15 * time.Minute, 45 * time.Minute} {
		v := h.plant.view(t.Add(off), air, h.state)
		for k, w := range h.plant.levels(&v, clear) {
			l[k] += float32(w / 2)
		}
	}
	return l
}

// Panel is what the panel gives against its label, as learned, and its relative doubt.
func (h *HourlyModel) Panel() (mean, sd float64) { return h.state.Panel.factor() }

// Ends are the charge at which the load goes and that at which it comes back.
func (h *HourlyModel) Ends() (cut, back float64) { return h.future.cutSoC, h.future.backSoC }

// Hour is the charge after an hour with net watts to spare. perAh is one over the usable
// capacity; refusing says that the cold stops the charge.
func (h *HourlyModel) Hour(soc, perAh, net float64, refusing bool) float64 {
	return h.future.move(soc, perAh, net, refusing)
}

// Took is the power that went into the battery for its charge to rise so within an hour, W.
func (h *HourlyModel) Took(soc, next, perAh float64) float64 {
	if next <= soc {
		return 0
	}
	return (next - soc) / (h.future.perVoltUp[int(soc*voltBins)] * perAh)
}

// Block draws a horizon: top is how high it stands in a direction, degrees by azimuth. What
// was learned of a direction stays where it lets less through.
func (h *Skyline) Block(top func(azimuth float64) float64) {
	low := 0.0
	for e, high := range [horizonEl]float64{6, 12, 20, 35, 60} {
		for a := range horizonAz {
			i := e*horizonAz + a
			open := 1 - max(0, min(1, (top((float64(a)+0.5)*360/horizonAz)-low)/(high-low)))
			if h.N[i] < 3 || open < h.Share[i] {
				h.Share[i], h.N[i] = open, 3
			}
		}
		low = high
	}
}
