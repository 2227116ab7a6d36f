package cause

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
)

// Cause is what an outage is put down to.
type Cause string

// The rungs of the ladder.
const (
	Power      Cause = "power"               // the supply broke although there was charge, or charge could not get in
	Path       Cause = "path"                // the node ran on; the way to it was broken
	Heat       Cause = "heat"                // too hot to run
	Cold       Cause = "cold"                // the frost: charging inhibited, or volts that sag
	Water      Cause = "water"               // wet connectors or a wet box
	Cutoff     Cause = "cut-off"             // the battery was low after little sun, and the load was cut off
	Lockout    Cause = "protection lock-out" // the battery's own protection opened, and sun alone does not wake it
	Creep      Cause = "creep"               // the battery was low because the load grew or the panel gives less
	Clock      Cause = "clock"               // there was no outage: the clock stepped
	CannotTell Cause = "cannot tell"
)

// Causes lists the rungs, in the order in which a person would look.
func Causes() []Cause {
	return []Cause{Clock, Path, Cutoff, Creep, Lockout, Cold, Heat, Water, Power}
}

// Truth is a yes or no that may not be known.
type Truth uint8

// The answers.
const (
	Unknown Truth = iota
	No
	Yes
)

// UnmarshalText reads yes, no, or nothing.
func (t *Truth) UnmarshalText(text []byte) error {
	i := slices.Index([]string{"", "no", "yes"}, string(text))
	if i < 0 {
		return fmt.Errorf("cannot read %q: it must be yes or no", text)
	}
	*t = Truth(i)
	return nil
}

// Of makes a Truth of what is known.
func Of(known, yes bool) Truth {
	switch {
	case !known:
		return Unknown
	case yes:
		return Yes
	}
	return No
}

// Record is what is known of a silence: before it, in it, and after it. Numbers that are
// not known are NaN; start from [Blank]. Ratios are against the usual, 1 being usual.
type Record struct {
	Start time.Time `yaml:"start"` // the last sign of life, in the zone of the site
	End   time.Time `yaml:"end"`   // the first after it; zero: still silent
	Now   time.Time `yaml:"now"`   // the moment of the question; End when that is set

	// Before the silence.
	SoC          float64 `yaml:"soc"` // believed charge, 0 to 1, with its 90 % band
	SoCLow       float64 `yaml:"soc_low"`
	SoCHigh      float64 `yaml:"soc_high"`
	CutoffChance float64 `yaml:"cutoff_chance"` // of a cut-off within a day, as stated then
	CutoffHours  float64 `yaml:"cutoff_hours"`  // median, from Start
	Volts        float64 `yaml:"volts"`         // the last
	CutoffVolts  float64 `yaml:"cutoff_volts"`  // the controller's setting
	SagVolts     float64 `yaml:"sag_volts"`     // how far the volts fell in the last hour
	HarvestRatio float64 `yaml:"harvest_ratio"` // of the last days, against the season
	SkyRatio     float64 `yaml:"sky_ratio"`     // the light of those days, against the season
	LoadRatio    float64 `yaml:"load_ratio"`    // the last nights, against a month of them
	BatteryC     float64 `yaml:"battery_celsius"`
	BoxC         float64 `yaml:"box_celsius"`
	Humidity     float64 `yaml:"humidity"`    // in the box, 0 to 1
	Loss         float64 `yaml:"loss"`        // share of probes lost in the last hour
	LossBefore   float64 `yaml:"loss_before"` // in the day before that
	Flaps        float64 `yaml:"flaps"`       // short silences in the last day
	Rain         Truth   `yaml:"rain"`        // then and there
	Wind         Truth   `yaml:"wind"`
	ClockBefore  Truth   `yaml:"clock_before"` // trusted
	// In the silence, as others saw it.
	Heard    Truth   `yaml:"heard_by_neighbours"` // the node or its radio
	Others   Truth   `yaml:"neighbours_silent"`   // silent from the same moment
	SunHours float64 `yaml:"sun_hours"`           // of full sun at the place, to now or the end
	// After it, as the node itself tells.
	Boots      float64 `yaml:"boots"`        // starts of the board
	Uptime     float64 `yaml:"uptime_hours"` // of the board, at the end
	SoCAfter   float64 `yaml:"soc_after"`
	VoltsAfter float64 `yaml:"volts_after"`
	RanThrough Truth   `yaml:"ran_through"`         // its own record has samples of the silence
	ClockAfter Truth   `yaml:"clock_after"`         // trusted
	ClockStep  float64 `yaml:"clock_step_hours"`    // by which the wall clock moved more than the time that passed
	Stopped    Truth   `yaml:"only_daemon_stopped"` // the board ran on, and what records on it did not
}

// Blank is a record in which nothing is known.
func Blank() Record {
	nan := math.NaN()
	return Record{
		SoC: nan, SoCLow: nan, SoCHigh: nan, CutoffChance: nan, CutoffHours: nan, Volts: nan, CutoffVolts: nan,
		SagVolts: nan, HarvestRatio: nan, SkyRatio: nan, LoadRatio: nan, BatteryC: nan, BoxC: nan, Humidity: nan,
		Loss: nan, LossBefore: nan, Flaps: nan, SunHours: nan, Boots: nan, Uptime: nan, SoCAfter: nan,
		VoltsAfter: nan, ClockStep: nan,
	}
}

// Over tells whether the silence has ended.
func (r Record) Over() bool { return !r.End.IsZero() }

// Until is the end of the silence, or the moment of the question.
func (r Record) Until() time.Time {
	if r.Over() {
		return r.End
	}
	return r.Now
}

// Hours is how long the silence has lasted.
func (r Record) Hours() float64 { return r.Until().Sub(r.Start).Hours() }

// Rung is one cause with what speaks for and against it.
type Rung struct {
	Cause    Cause    `json:"cause"`
	Points   int      `json:"points"` // for less against; only their order and distance matter
	Excluded bool     `json:"excluded,omitempty"`
	For      []string `json:"for,omitempty"`
	Against  []string `json:"against,omitempty"`
}

// Verdict is the ladder of an outage, the likeliest cause first.
type Verdict struct {
	Record Record
	Cause  Cause // what it is put down to, or [CannotTell]
	Ladder []Rung
	Bring  []string // what to take along; empty where nobody needs to go
}

// The least points of a cause that is named, and the least distance to the next.
const (
	enough = 4
	lead   = 3
)

// Judge weighs every cause.
func Judge(r Record) Verdict {
	v := Verdict{Record: r, Cause: CannotTell}
	for _, c := range Causes() {
		s := scale{Rung: Rung{Cause: c}, r: r}
		s.weigh()
		v.Ladder = append(v.Ladder, s.Rung)
	}
	slices.SortStableFunc(v.Ladder, func(a, b Rung) int {
		if a.Excluded != b.Excluded {
			if a.Excluded {
				return 1
			}
			return -1
		}
		return cmp.Compare(b.Points, a.Points)
	})
	if first, second := v.Ladder[0], v.Ladder[1]; !first.Excluded && first.Points >= enough &&
		(second.Excluded || first.Points-second.Points >= lead) {
		v.Cause = first.Cause
	}
	v.Bring = bring(v)
	return v
}

// bring is what to take along, by common practice: enough for the causes that are still
// open, so that one trip rules out one after the other.
func bring(v Verdict) []string {
	if v.Record.Over() && (v.Cause == Cutoff || v.Cause == Path || v.Cause == Clock) {
		return nil
	}
	open := []Cause{v.Cause}
	if v.Cause == CannotTell {
		open = nil
		for _, g := range v.Ladder[:3] {
			if !g.Excluded {
				open = append(open, g.Cause)
			}
		}
	}
	var things []string
	for _, c := range open {
		for _, thing := range strings.Split(kit(c), ", ") {
			if thing != "" && !slices.Contains(things, thing) {
				things = append(things, thing)
			}
		}
	}
	if len(things) > 0 {
		things = append(things, "a lamp", "a second person")
	}
	return things
}

// kit is what each cause needs.
func kit(c Cause) string {
	switch c {
	case Power:
		return "a meter, fuses, connectors, a charged battery with its lead, a brush for the panel, a spare board and card"
	case Cutoff:
		return "a meter, a charged battery with its lead, a brush for the panel"
	case Lockout:
		return "a meter, a charger for this battery, a charged battery with its lead, fuses"
	case Creep:
		return "a meter, a brush for the panel, something to cut growth with"
	case Path:
		return "a spare radio, its cable, connectors, a meter"
	case Water:
		return "dry connectors, sealing tape, a gland, a spare board and card, a cloth"
	case Heat:
		return "a thermometer, something that gives shade, a spare board and card"
	case Cold:
		return "a thermometer, a meter, a warm charged battery with its lead"
	}
	return ""
}
