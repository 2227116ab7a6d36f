package outlook

import (
	"time"

	"ebbwatch/collector/reading"
	"ebbwatch/estimator/battery"
	"ebbwatch/estimator/sky"
)

// Horizon is how far the outlook reaches.
const Horizon = 240 * time.Hour

// Withins are the spans, in hours, for which a chance is stated.
func Withins() [5]int { return [5]int{24, 48, 72, 120, 168} }

// Site is what the owner says of the place and the panel.
type Site struct {
	Latitude   float64 // degrees, north positive
	Longitude  float64 // degrees, east positive
	AltitudeM  float64
	Insolation []float64 // mean daily global horizontal irradiation by month, kWh/m²; empty or 12
	WattsPeak  float64
	TiltDeg    float64 // from horizontal
	AzimuthDeg float64 // from north, clockwise
	MPPT       bool    // false: PWM
	Zone       *time.Location
	// Air is the normal course of the air's temperature, from the site's own record; nil where
	// there is none: then a rough one by latitude stands in.
	Air *sky.Air
}

// Window is when something is expected. Hours are from the outlook's moment; NaN is beyond
// the horizon.
type Window struct {
	P10, P50, P90 float64
	Within        [5]float64 // chance within each of [Withins]
}

// Outlook is one look ahead.
type Outlook struct {
	At              time.Time
	Reserve, Cutoff Window
	Fan             []FanPoint // hourly, for the chart
	DarkHours       float64    // expected within the horizon
	BackHours       float64    // median hours until the load is fed again after a cut-off; NaN when none
	BackLateHours   float64    // the same in 19 of 20 futures; NaN beyond the horizon
	BackSunHours    float64    // hours of full sun from a cut-off to the return, see [Futures.fullSun]
	FullSunWatts    float64    // what the panel brings to the battery in full sun, W
	NoSunHours      float64    // hours to cut-off were there no sun at all
	Spell           Spell      // of the futures that go dark within a week
	Dark            bool       // the load is off now: what is told of a cut-off is of the present one
	CutoffSoC       float64    // charge at which the load is expected to go
	Raw             [5]float64 // chances of a cut-off before the ledger's tuning
}

// Known tells an outlook from the zero value, which says nothing: no chance, not a chance of 0.
func (o *Outlook) Known() bool { return !o.At.IsZero() }

// FanPoint is what the futures say of one hour ahead.
type FanPoint struct {
	Hours                   float64 // the end of the hour
	P10, P25, P50, P75, P90 float64 // spread of the charge then
	SunWatts                float64 // mean of what the panel brings within the hour, W at the battery
	Cutoff                  float64 // chance of a cut-off until then, tuned as [Window.Within] is
	Reserve                 float64 // chance that the reserve was reached until then
}

// Model is the look ahead of one site. It holds no state.
type Model struct {
	Site    Site
	Battery battery.Battery

	unlabelled bool // the panel of Site is the learned one
}

// cells is the number of cells in series, at least one.
func (m Model) cells() float64 { return float64(max(m.Battery.Cells, 1)) }

// Project looks ahead from now. fc may be nil. The same inputs and seed give the same
// outlook.
func (m Model) Project(s *State, b battery.Belief, now time.Time, fc *reading.Forecast, seed uint64) Outlook {
	m = m.learned(s)
	f := m.Draw(s, b, now, fc, seed)
	main := f.Run(Action{}, true)
	o := Outlook{
		At: now, Dark: s.Cutoff.Dark, Reserve: main.Reserve, Cutoff: main.Cutoff, Fan: main.Fan, Raw: main.Cutoff.Within,
		DarkHours: main.DarkHours, BackHours: main.BackHours, NoSunHours: f.noSun(b),
		BackLateHours: main.BackLateHours, Spell: main.Spell,
	}
	o.FullSunWatts, o.BackSunHours = f.fullSun(m, s)
	o.CutoffSoC = f.cutSoC
	for i, p := range o.Raw {
		// Tuning must not make the cut-off likelier than the reserve that comes before it.
		o.Cutoff.Within[i] = min(s.Ledger.Tune.apply(p), max(p, o.Reserve.Within[i]))
	}
	for i := range o.Fan {
		p := &o.Fan[i]
		p.Cutoff = min(s.Ledger.Tune.apply(p.Cutoff), max(p.Cutoff, p.Reserve))
	}
	return o
}

// Calibrated is a chance of a cut-off under an action, tuned as [Outlook.Cutoff] is: two
// chances that are compared must have been tuned alike.
func (s *State) Calibrated(p float64) float64 { return s.Ledger.Tune.apply(p) }
