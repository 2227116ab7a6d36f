package facts

import (
	"time"

	"ebbwatch/collector/reading"
	"ebbwatch/estimator/advice"
	"ebbwatch/estimator/battery"
	"ebbwatch/estimator/outlook"
)

// Snapshot is everything that is known at one moment. The node loop makes a new one after
// each step and never changes it again, so readers need no lock.
type Snapshot struct {
	Site    string
	Zone    *time.Location
	At      reading.Stamp
	Started reading.Stamp
	Reading [reading.NumSite]Measured
	Belief  battery.Belief
	Battery battery.Battery
	Array   outlook.Site
	Outlook outlook.Outlook
	Ledger  string // how good the forecasts so far were, for people; empty before any was scored
	// Heard is how long ago the battery's instruments last said something that was believed,
	// over restarts; negative when they never did.
	Heard    time.Duration
	Lessons  []outlook.Lesson // what is not learned yet
	Offers   []advice.Offer   // what actions would buy, the least sacrifice first; empty when nothing is to be done
	Sources  []Source         // in the order of the configuration
	Peers    []Peer           // likewise
	Alarms   []Alarm          // active, the gravest first
	Channels []Channel
	Energy   map[string]float64 // joules since the start of the record, by flow
	Log      []LogLine          // the last lines, newest last
	Problems []string           // what is wrong with the daemon itself, for people
	Ready    bool
	// Unready says what the daemon still waits for, for people; empty when Ready.
	Unready []string
	// Extra holds the facts that other parts learn, under the names that [Table] gives
	// them, such as sun_elevation_degrees. A fact that is not in the map is not known.
	Extra map[string]float64
	Build Build
}

// Build says which program this is.
type Build struct {
	Version  string
	Revision string
	Go       string
}

// Measured is the newest value of one quantity.
type Measured struct {
	Known   bool // false when it was never read, or is too old to be used
	X       float64
	Age     time.Duration
	Source  string
	Suspect string // why it is doubted; empty when it is not
}

// Usable tells whether the value may be told as true: it is fresh, and nothing speaks against
// it. What is doubted is shown struck, with the reason, and goes nowhere else.
func (m Measured) Usable() bool { return m.Known && m.Suspect == "" }

// Source is the health of one source.
type Source struct {
	Name   string
	Kind   string
	Every  time.Duration
	Up     bool               // the last poll gave values
	Tried  bool               // it was polled at all
	Age    time.Duration      // since the last good poll; negative when there was none
	Silent time.Duration      // since the last good poll, or since the start when there was none
	Took   time.Duration      // the last poll
	Err    string             // of the last poll, empty when it went well
	Errors map[string]float64 // count by kind
	// Doubts has an entry for each quantity that the source gave lately: why it is doubted,
	// empty when it is not. A value counts here also where another source's is used instead.
	Doubts map[reading.Quantity]string
	// Lost is what it gave when it last answered, and no source gives now.
	Lost []reading.Quantity
}

// Doubtful is the number of quantities that are doubted.
func (s Source) Doubtful() (n int) {
	for _, why := range s.Doubts {
		if why != "" {
			n++
		}
	}
	return n
}

// Peer is what is known of the way to one peer. What is not known is NaN.
type Peer struct {
	Name       string
	Source     string
	Up         bool
	Known      bool
	Age        time.Duration
	RTTSeconds float64 // median; NaN is not known, as below
	LossRatio  float64
	RTTP95     float64 // s
	Jitter     float64 // s
	SoC        float64 // that the peer reports of its own battery
}

// Alarm is one active alarm.
type Alarm struct {
	ID           string
	Short        string // the id for a person to type
	Rule         string
	Of           string // the source or peer it is about, if one
	Severity     string
	Since        time.Time
	Acknowledged bool
	MutedUntil   time.Time // its messages are kept back; zero: they are not
	Title        string
	Text         string
	Advice       []string
}

// Channel is the state of one way to the owner.
type Channel struct {
	Name     string
	Waiting  int
	Outcomes map[string]float64 // sent, failed, refused
	Err      string             // of the last attempt
	Refusing int                // notices that wait because the receiver turned them down
}

// LogLine is one line of the daemon's log.
type LogLine struct {
	At   time.Time
	Text string
}
