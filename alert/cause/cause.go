package cause

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"
)

// Cause is what a silence is put down to.
type Cause string

// The causes.
const (
	Cutoff     Cause = "cut-off"             // too little sun emptied the battery, and the load was cut off
	Snow       Cause = "snow"                // the panel lay under snow, and the battery ran empty
	Creep      Cause = "creep"               // the battery ran empty because the load had grown
	NoCharge   Cause = "no charge"           // the panel or its charger gave nothing: a fuse, a wire, a thief
	Cold       Cause = "cold"                // the frost kept the battery from charging
	Lockout    Cause = "protection lock-out" // the battery's own protection opened; sun alone may not wake it
	Power      Cause = "power or board"      // it stopped with charge in the battery: a fuse, a contact, the board, its card
	Heat       Cause = "heat"                // too hot to run
	Water      Cause = "water"               // a wet contact, or a wet box
	Path       Cause = "own radio"           // it ran on, and reached nobody: its radio, aerial, switch or cable
	Far        Cause = "beyond the gate"     // it ran on and reached its neighbour; the way broke behind that
	Stopped    Cause = "ebbwatch stopped"    // the board ran on; only ebbwatch did not, or could not write
	Clock      Cause = "clock"               // nothing was silent: the clock was set
	CannotTell Cause = "cannot tell"
)

// causes is how many there are to weigh.
const causes = 13

// Causes lists them all, in the order of the columns of the table.
func Causes() [causes]Cause {
	return [causes]Cause{Cutoff, Snow, Creep, NoCharge, Cold, Lockout, Power, Heat, Water, Path, Far, Stopped, Clock}
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

// MarshalText is the text that [Truth.UnmarshalText] reads.
func (t Truth) MarshalText() ([]byte, error) {
	return []byte([...]string{"", "no", "yes"}[t]), nil
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
	Start time.Time // the last sign of life, in the zone of the site
	End   time.Time // the first after it; zero: still silent
	Now   time.Time // the moment of the question; End when that is set

	// The board. A start of the board is one of its kernel, whatever the clock says.
	RanThrough Truth   // its own record goes on in the silence
	SameBoot   Truth   // the record goes on in the same start of the board
	Uptime     float64 // hours that the board had been up when the record went on
	ClockStep  float64 // hours by which the wall clock was set forward in the silence
	Flaps      float64 // short silences and starts of the board within two days before

	// The battery, just before the silence, and what was said of it then.
	SoC, SoCLow, SoCHigh float64 // believed charge, 0 to 1, with its 90 % band
	Volts                float64
	CutoffVolts          float64 // at which the controller takes the load off
	Cells                int     // in series; 0: 4
	LoadOff              Truth   // the record shows the load off at the beginning, the board being up
	Chance24, Chance72   float64 // of a cut-off within so many hours, as stated some hours before
	LoadRatio            float64 // the last nights, against the month before

	// The sun, in the three days before.
	HarvestRatio float64 // of the panel, against the month before
	SkyRatio     float64 // of the panel, against what it should have given under the forecast sky
	PanelRatio   float64 // voltage of the panel in the last day of light, against that at which it usually works
	Refused      Truth   // the panel had voltage in light, the battery was at or below freezing, and nothing was charged
	Halted       Truth   // the harvest stopped between two readings in broad daylight, for good
	SunUp        Truth   // the sun stood above the horizon when it fell silent
	SunUpAfter   Truth   // and when it came back
	LightDays    float64 // days of light that passed in the silence

	ColdC float64 // lowest of the battery, or of the air, in the two days before, °C
	BoxC  float64 // highest of the controller and the battery in the last hour, °C

	// The path.
	Loss      float64 // share of probes lost in the last hour
	LossUsual float64 // in the month before that
	Answered  Truth   // some peers answered in the silence and others did not

	// What others know: no sensor of the node tells it.
	Rain   Truth // then and there
	Heard  Truth // neighbours heard the node or its radio in the silence
	Others Truth // other nodes fell silent at the same moment
	Bright Truth // full sun for some hours in the silence
}

// Blank is a record in which nothing is known.
func Blank() Record {
	nan := math.NaN()
	return Record{
		Uptime: nan, ClockStep: nan, Flaps: nan, SoC: nan, SoCLow: nan, SoCHigh: nan, Volts: nan, CutoffVolts: nan, Chance24: nan, Chance72: nan,
		LoadRatio: nan, HarvestRatio: nan, SkyRatio: nan, PanelRatio: nan, LightDays: nan, ColdC: nan, BoxC: nan, Loss: nan, LossUsual: nan,
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
	Cause   Cause    `json:"cause"`
	Chance  float64  `json:"chance"` // 0 to 1; those of all rungs add up to 1
	For     []string `json:"for,omitempty"`
	Against []string `json:"against,omitempty"`
}

// Verdict is the causes of a silence, the likeliest first.
type Verdict struct {
	Record  Record
	Cause   Cause // what it is put down to, or [CannotTell]
	Ladder  []Rung
	Missing []string // what would tell the first two apart, and is not known
	Bring   []string // what to take along; empty where nobody needs to go
}

// enough is the chance from which a cause is named. More is asked than that it is likelier
// than not: a wrong cause costs a trip and a wrong part.
const enough = 0.65

// telling is how many times likelier under one cause than under another a piece of evidence
// must be to be said for or against it.
const telling = 1.6

// Judge weighs every cause by all that is known.
func Judge(r Record) Verdict {
	v := Verdict{Record: r, Cause: CannotTell}
	chances := usual()
	all := Causes()
	var known []finding
	var missing []item
	for _, it := range table() {
		state, says := it.ask(r)
		if state < 0 {
			missing = append(missing, it)
			continue
		}
		odds := it.states[state].odds()
		known = append(known, finding{says, odds})
		for c := range chances {
			chances[c] *= odds[c]
		}
	}
	normalize(&chances)
	for c, cause := range all {
		g := Rung{Cause: cause, Chance: chances[c]}
		for _, f := range known {
			g.hold(f, c)
		}
		v.Ladder = append(v.Ladder, g)
	}
	slices.SortStableFunc(v.Ladder, func(a, b Rung) int { return cmp.Compare(b.Chance, a.Chance) })
	if v.Ladder[0].Chance >= enough && len(v.Ladder[0].For) > 0 {
		v.Cause = v.Ladder[0].Cause
	}
	v.Missing = lacking(missing, v)
	v.Bring = bring(v)
	return v
}

// finding is one piece of evidence that is known.
type finding struct {
	says string
	odds [causes]float64
}

// hold puts a finding on the side on which it weighs, against the mean of all causes by
// their usual frequency.
func (g *Rung) hold(f finding, c int) {
	mean, weights := 0.0, usual()
	for i, w := range weights {
		mean += w * f.odds[i]
	}
	switch {
	case f.says == "":
	case f.odds[c] > telling*mean:
		g.For = append(g.For, f.says)
	case f.odds[c]*telling < mean:
		g.Against = append(g.Against, f.says)
	}
}

func normalize(chances *[causes]float64) {
	sum := 0.0
	for _, p := range chances {
		sum += p
	}
	for c := range chances {
		chances[c] /= sum
	}
}

// lacking names what is not known and could tell the first causes apart, the most telling
// first.
func lacking(missing []item, v Verdict) []string {
	if v.Cause != CannotTell {
		return nil
	}
	all := Causes()
	a, b := slices.Index(all[:], v.Ladder[0].Cause), slices.Index(all[:], v.Ladder[1].Cause)
	type lack struct {
		name  string
		tells float64
	}
	var lacks []lack
	for _, it := range missing {
		tells := 1.0
		for _, s := range it.states {
			odds := s.odds()
			tells = max(tells, odds[a]/odds[b], odds[b]/odds[a])
		}
		if it.need != "" && tells >= 3 {
			lacks = append(lacks, lack{it.need, tells})
		}
	}
	slices.SortStableFunc(lacks, func(x, y lack) int { return cmp.Compare(y.tells, x.tells) })
	var names []string
	for _, l := range lacks {
		names = append(names, l.name)
	}
	return names
}

// bring is what to take along, by common practice: enough for the causes that are still
// open, so that one trip rules out one after the other.
func bring(v Verdict) []string {
	if nobody := []Cause{Stopped, Clock, Far}; slices.Contains(nobody, v.Cause) || v.Record.Over() && (v.Cause == Cutoff || v.Cause == Snow || v.Cause == Path) {
		return nil
	}
	var things []string
	for i, g := range v.Ladder {
		if g.Cause != v.Cause && (v.Cause != CannotTell || i > 0 && g.Chance < 0.1) {
			continue
		}
		for _, thing := range kit(g.Cause) {
			if !slices.Contains(things, thing) {
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
func kit(c Cause) []string {
	const meter, battery, fuses, brush = "a meter", "a charged battery with its lead", "fuses", "a brush for the panel"
	const board, contacts = "a spare board and card", "connectors"
	switch c {
	case Power:
		return []string{meter, fuses, contacts, battery, board}
	case NoCharge:
		return []string{meter, fuses, contacts, battery, brush, "a spare panel"}
	case Cutoff, Snow:
		return []string{meter, battery, brush}
	case Lockout:
		return []string{meter, "a charger for this battery", battery, fuses}
	case Creep:
		return []string{meter, brush, "something to cut growth with"}
	case Path:
		return []string{"a spare radio", "its cable", contacts, meter}
	case Water:
		return []string{"dry connectors", "sealing tape", "a gland", "a cloth", board}
	case Heat:
		return []string{"a thermometer", "something that gives shade", board}
	case Cold:
		return []string{"a thermometer", meter, "a warm charged battery with its lead"}
	}
	return nil
}
