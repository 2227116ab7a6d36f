package battery

import "time"

// State is all that is remembered between steps, in parts. It is plain data that marshals to
// JSON, so that the belief survives a restart; it never holds a NaN. The parts are embedded,
// and fields that were renamed keep their first key, because kept state must open for ever.
type State struct {
	Form int // of the unknowns; a state of another form is of no use
	Clock
	Gauss
	Meters
	Cell
	Anchors
	Silence
	Derived
}

// Clock is the time of the belief, which goes on over restarts: who feeds it sees to that.
type Clock struct {
	Set       bool          // there was a reading
	Mono      time.Duration // of the last reading that was used
	HourOfDay float64       // UTC
	Every     float64       // h, usual time between readings
}

// Meters is what was learned of the instruments and of what they usually show.
type Meters struct {
	In, Out     Habit
	Flow        Seen
	MaxGainSD   float64 `json:"Rough"` // of the roughest way of measuring current met so far, relative
	VoltStep    float64 // finest step of the voltmeter seen, V
	AmpStep     float64 // the same of the current, A
	BulkVolts   float64 // of the panel when all it gives is taken
	Follow      float64 // changes of the load that the charge followed of late, less those it did not
	NightLoadW  float64 `json:"DarkLoad"` // what flowed out when the panel gave nothing
	ZeroIn      Zero    // of the charge current
	ZeroOut     Zero    // of the load current
	ZeroBattery Zero
	ZeroPair    Pair    // of the battery's and the load's
	OwnHours    float64 // h for which the battery had a sensor of its own

	UnmeteredWait  float64 `json:"GhostWait"`  // h since the load past the meters was judged
	UnmeteredHours float64 `json:"GhostHours"` // h for which one was as good as certain
}

// Cell is what is followed of the cells beside the unknowns of the filter.
type Cell struct {
	Celsius      float64
	CelsiusSet   bool
	SinceCelsius float64 // h since the temperature was last told
	StepVA       float64 // V·A and A², summed over steps of current: the resistance is their ratio
	StepAA       float64
	Volts, Amps  float64 // means over some minutes; A without the drain
	Hysteresis   float64 `json:"Branch"` // -1 discharging to +1 charging
	SinceCharge  float64 `json:"Quiet"`  // h

	SinceOCV      float64 `json:"SinceLook"` // h since the voltage was weighed
	MovedSinceOCV float64 `json:"Moved"`     // charge moved since then, either way
}

// Anchors is what is followed to tell a true full, and how far the charge may have gone since.
type Anchors struct {
	ChargedIn       float64 `json:"Topped"` // charge put in since the ceiling was felt
	DrawnOut        float64 `json:"Drawn"`  // charge taken out since the floor was felt
	Held            float64 // h at absorption with the current tapered
	HeldVolts       float64 // V, when that began
	HeldDrift       float64 `json:"Stray"` // V, how far from there it went
	PeakAmps        float64 `json:"Crest"` // most that flowed in since
	Floating        float64 // h
	RecentIn        float64 // charge that flowed in over the last hours
	HeldIn          float64 // A, most that flowed in since the voltage is that of absorption
	Jumped          bool    // it rose there at once
	Ceased          bool    // a current that flowed until then ceased at once
	AnchorRate      float64 // current at the last likely full over the capacity, 1/h
	CutHours        float64 // h for which the load was off as at a low-voltage disconnect
	CutUnfed        bool    // it was taken for one, and nothing flowed in since
	FullHours       float64 `json:"Tried"`    // h of being full since then
	FullAccepted    bool    `json:"Believed"` // it was taken for one
	SinceAnchor     float64 // h
	Anchored        bool
	LowestSinceFull float64 `json:"Lowest"` // charge
	Full            bool
	FullSeen        bool
	SinceFull       time.Duration
}

// Silence is what is known of the times in which nothing was heard.
type Silence struct {
	WokeEmpty    bool    `json:"Woke"`    // it was all but empty before a silence of unknown length
	GapBeforeOCV bool    `json:"Broken"`  // there was a silence since the voltage was last weighed
	SinceGap     float64 `json:"Settled"` // h since that silence
	Silent       bool    // nothing is heard
	SilentEmpty  bool    `json:"Dead"`      // and the battery was all but empty before
	SilentHours  float64 `json:"DeadHours"` // since then
}

// Derived is told on, but teaches the belief nothing.
type Derived struct {
	Curtailed          bool
	NetW, LoadW        float64
	ColdCharge         bool
	ControllerSoC      float64 `json:"Claim"`
	ControllerSoCKnown bool    `json:"ClaimKnown"`
	ReplacedHours      float64 `json:"Swapped"` // h for which a replaced battery is still told
}

// Seen is what the last reading said of the flows.
type Seen struct {
	Set                           bool
	In, Out, Volts                float64
	InKnown, OutKnown, VoltsKnown bool
}

// form changes whenever the unknowns do, so that what an older program kept is not read as
// something else.
const form = 100 + int(unknowns)

// longestGap bounds what one gap may claim, so that a wall clock that was wrong while it
// was trusted cannot empty the battery on paper for ever.
const longestGap = 90 * 24 * time.Hour

// A silence may be so long before the time in it counts as not measured: 20 minutes, or where
// readings come seldom, two and a half times as long as usual, but for hours.
const (
	leastUnseen = 20 * time.Minute
	mostUnseen  = 150 * time.Minute
)

// unseen is the length of a silence from which on its time counts as not measured.
func (c *Clock) unseen() time.Duration {
	return min(max(time.Duration(2.5*c.Every*float64(time.Hour)), leastUnseen), mostUnseen)
}

// pass moves the clock on to a reading and gives the time between. A duplicate or late
// reading is of no use.
func (c *Clock) pass(mono time.Duration) (dt time.Duration, fresh bool) {
	if c.Set && mono <= c.Mono {
		return 0, false
	}
	if c.Set {
		dt = mono - c.Mono
	}
	if dt > 0 && dt <= mostUnseen {
		c.Every += (dt.Hours() - c.Every) / 8
	}
	c.Set, c.Mono = true, mono
	return min(dt, longestGap), true
}

// Stranger tells whether a state was kept by a program that knew other unknowns: of such a one
// nothing is taken up.
func (s State) Stranger() bool { return s.Form != 0 && s.Form != form }
