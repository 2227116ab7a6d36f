package outlook

import (
	"time"

	"ebbwatch/collector/reading"
	"ebbwatch/estimator/sky"
)

// State is what was learned of panel, load and sky. It is plain data of fixed size without
// NaN, and marshals to JSON.
type State struct {
	Clock   Clock
	Day     Day
	Sky     sky.Process
	Width   sky.Width
	SkyDay  int // solar day that Sky speaks of, before anything of it was seen; 0 is none
	Skill   sky.Skill
	Pending [sky.Leads]Pending
	TiedDay int // solar day whose forecasts were judged last
	Panel   Panel
	Skyline Skyline
	Load    Load
	Warmth  Temperatures
	Cutoff  Cutoff
	Ledger  Ledger
	Last    Last
	// Covered counts the days in a row on which a panel that should have seen light gave
	// next to nothing: snow, a tripped breaker, a broken wire.
	Covered int
	Place   Place
	Array   BlackBox `json:",omitzero"`
}

// Clock remembers when the last reading was.
type Clock struct {
	Set  bool
	Mono time.Duration
	Wall int64 // Unix nanoseconds
}

// Last is what was believed when the node was last heard.
type Last struct {
	Wall  int64 // Unix seconds; 0 is never
	SoC   float64
	Volts float64 // of the battery; 0 where not known
	Empty bool    // the load was about to go
}

// longestSpan is how far apart two readings may be for the energy between them to count.
const longestSpan = 70 * time.Minute

// pass gives the time since the last reading, 0 where it is not known or too long to be
// integrated over.
func (c *Clock) pass(at reading.Stamp) time.Duration {
	was := *c
	*c = Clock{Set: true, Mono: at.Mono, Wall: at.Wall.UnixNano()}
	if !was.Set {
		return 0
	}
	mono, wall := at.Mono-was.Mono, time.Duration(at.Wall.UnixNano()-was.Wall)
	off := wall - mono
	if mono <= 0 || mono > longestSpan || off > time.Minute || off < -time.Minute {
		return 0
	}
	return mono
}

// Day gathers one solar day.
type Day struct {
	Date    int // solar day, 0 is none
	ClearKt float64
	Got     float64            // Wh at the battery, in hours that teach
	Levels  [numLevels]float64 // Wh by the label over the same hours
	Least   float64            // Wh over all hours, those in which the charger held back too
	Whole   [numLevels]float64 // Wh by the label over the same hours as Least
	Held    bool               // the charger held back
	Hours   [24]Hour           // by solar time
}

// Hour gathers one hour of the solar day, for the horizon and the best hour.
type Hour struct {
	Got, Beam, Rest float64 // Wh got, and by the label under a clear sky
	Open            float64 // the beam of a clear sky were there no trees
	Span            float64 // hours that taught
	Cell            int
}

// Pending holds what was forecast of one solar day, by lead.
type Pending struct {
	Day   int
	Score [sky.Leads]float64
	Known [sky.Leads]bool
}

// Temperatures follows the temperatures, °C.
type Temperatures struct {
	Battery, Air       float64 // mean over about a day
	BatteryOK, AirOK   bool
	Date               int
	Wave               [2]float64 // usual course of the battery over the local day: cosine and sine, K
	Charged, Inhibited float64    // hours of daylight below freezing with and without charge
	// What the means of the coming days are told by: Level is the battery's temperature with the
	// hour of the day taken off, Normal its course over the year.
	Level            float64
	Normal           sky.Air
	Days             float64 // that taught
	FromRecord       bool    // Normal began with the site's record
	Innovation       float64 // variance of what a day adds, K²; 0 is not learned
	DaySum, DayHours float64 // of today
	DayWave          [2]float64
	LastDay          float64 // mean of yesterday
	LastDate         int
	// Frozen tells a battery that was below freezing and has not been well above since.
	Frozen             bool
	Withheld, Released float64 // hours of daylight, thawed but not warm, without and with charge
	// What the protection does once it has thawed: Refusing tells that it refused within the last
	// SinceRefused hours of daylight; it let the charge in again at Release °C, Releases times.
	Refusing     bool
	SinceRefused float64
	Release      float64
	Releases     float64
}

// Cutoff follows when the load is taken off and given back.
type Cutoff struct {
	Dark      bool
	Count     float64
	SoC       float64 // at which the load went, mean as believed at the time
	LastAt    int64   // Unix seconds of the last time the load went; 0 is never
	BackCount float64
	BackSoC   float64 // at which it came back
	Fed       float64 // V, the lowest at which it was fed, slowly forgotten; 0 is unknown
}

// meansSD is the doubt about monthly means that were given. Those of a year differ more, but
// in the coming week a dull month so far says next to nothing: with 0.15, on two stations in
// winter, the week after came out at half of what was expected of it.
const meansSD = 0.08

// Start is the state before anything was learned.
func (m Model) Start() State {
	sd := m.climate().SD
	if len(m.Site.Insolation) == 12 {
		sd = min(sd, meansSD)
	}
	return State{Sky: sky.Begin(sd), Panel: startPanel()}
}

func (m Model) climate() sky.Climate {
	if len(m.Site.Insolation) == 12 {
		return sky.FromInsolation(m.Site.Insolation, m.Site.Latitude)
	}
	return sky.Usual(m.Site.Latitude)
}

func (m Model) local(t time.Time) time.Time {
	if m.Site.Zone == nil {
		return t.UTC()
	}
	return t.In(m.Site.Zone)
}

// pending is where the forecasts of a solar day are kept. Days before 1970 are negative.
func (s *State) pending(day int) *Pending {
	return &s.Pending[(day%sky.Leads+sky.Leads)%sky.Leads]
}
