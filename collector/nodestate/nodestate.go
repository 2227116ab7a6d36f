package nodestate

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"time"
)

// Schema is the version of this schema and of the other answers for programs: fields are added to
// it, never renamed.
const Schema = 1

// Path is where a node tells its state, below the address of its page.
const Path = "/api/v1/state"

// MaxBytes is the most of an answer that is read; a state is some 10 kB.
const MaxBytes = 1 << 20

// MaxList is the most peers and the most readings that are kept of a node that says too much.
const MaxList = 256

// Num is a number that may be unknown: nil is left out of the JSON, so that absent is
// never zero. Infinite numbers cannot be written in JSON and are left out as well.
type Num = *float64

// State is the answer of /api/v1/state. Its fields are stable: fields are added, never
// renamed, and one that is not known is left out.
type State struct {
	Schema       int                `json:"schema"` // [Schema]; an older node leaves it out
	Site         string             `json:"site"`
	At           time.Time          `json:"at"` // in the zone of the site
	ClockTrusted bool               `json:"clock_trusted"`
	UptimeS      float64            `json:"uptime_seconds"`
	Ready        bool               `json:"ready"`
	Unready      []string           `json:"unready,omitempty"`
	Level        string             `json:"level"` // ok, unknown, warning or critical
	Headline     string             `json:"headline"`
	Knowledge    Knowledge          `json:"knowledge"`
	Battery      Battery            `json:"battery"`
	Outlook      *Outlook           `json:"outlook,omitempty"`
	Readings     []Reading          `json:"readings"`
	Facts        map[string]float64 `json:"facts"`
	Sources      []Source           `json:"sources"`
	Peers        []Peer             `json:"peers"`
	Alarms       []Alarm            `json:"alarms"`
	Channels     []Channel          `json:"channels"`
	EnergyJoules map[string]float64 `json:"energy_joules,omitempty"`
	Problems     []string           `json:"problems,omitempty"`
	Log          []Log              `json:"log"`
	Version      string             `json:"version,omitempty"`
}

// Knowledge says how much of all this is known: "nothing read yet", blind, partly blind, doubted, learning or
// well, and why not more. An older node leaves it empty.
type Knowledge struct {
	State string   `json:"state,omitempty"`
	Why   []string `json:"why,omitempty"`
}

// Battery is what is believed of the battery and what the owner said of it.
type Battery struct {
	SoC            Num  `json:"soc,omitempty"`
	Low            Num  `json:"soc_low,omitempty"`
	High           Num  `json:"soc_high,omitempty"`
	Reserve        Num  `json:"reserve,omitempty"`
	UsableAh       Num  `json:"usable_ampere_hours,omitempty"`
	Volts          Num  `json:"volts,omitempty"`
	Amps           Num  `json:"amps,omitempty"`
	Celsius        Num  `json:"celsius,omitempty"`
	NetWatts       Num  `json:"net_watts,omitempty"`
	UnmeteredWatts Num  `json:"unmetered_watts,omitempty"`
	HoursSinceFull Num  `json:"hours_since_full,omitempty"`
	Full           bool `json:"full,omitempty"`
	Curtailed      bool `json:"curtailed,omitempty"`
}

// Outlook is the look ahead. Hours are from At; hours that are left out lie beyond
// the horizon.
type Outlook struct {
	At           time.Time `json:"at"`
	HorizonHours float64   `json:"horizon_hours"`
	Reserve      Window    `json:"reserve"`
	Cutoff       Window    `json:"cutoff"`
	DarkHours    Num       `json:"dark_hours,omitempty"`
	BackHours    Num       `json:"back_hours,omitempty"`
	BackLate     Num       `json:"back_late_hours,omitempty"` // in 19 of 20 futures
	BackSun      Num       `json:"back_sun_hours,omitempty"`  // hours of full sun from a cut-off to the return
	FullSun      Num       `json:"full_sun_watts,omitempty"`  // what the panel brings in full sun
	NoSunHours   Num       `json:"no_sun_hours,omitempty"`
	Record       string    `json:"record,omitempty"` // how good the forecasts so far were, for people
}

// Window says when something is expected.
type Window struct {
	P10    Num            `json:"hours_p10,omitempty"`
	P50    Num            `json:"hours_p50,omitempty"`
	P90    Num            `json:"hours_p90,omitempty"`
	Within map[string]Num `json:"within"` // chance by span: 24h, 48h, …
}

// Reading is the newest value of one quantity.
type Reading struct {
	Name    string  `json:"name"`
	Value   float64 `json:"value"`
	Unit    string  `json:"unit,omitempty"`
	Text    string  `json:"text,omitempty"` // the charging stage in words
	AgeS    float64 `json:"age_seconds"`
	Source  string  `json:"source,omitempty"`
	Suspect string  `json:"suspect,omitempty"` // why the value is doubted: it is told nowhere else then
}

// Source is the health of one source.
type Source struct {
	Name   string             `json:"name"`
	Kind   string             `json:"kind,omitempty"`
	EveryS float64            `json:"every_seconds"`
	Up     bool               `json:"up"`
	Tried  bool               `json:"tried"`
	AgeS   Num                `json:"age_seconds,omitempty"`
	TookS  Num                `json:"poll_seconds,omitempty"`
	Error  string             `json:"error,omitempty"`
	Errors map[string]float64 `json:"errors,omitempty"`
}

// Peer is what is known of the way to one peer.
type Peer struct {
	Name   string `json:"name"`
	Source string `json:"source,omitempty"`
	Known  bool   `json:"known"`
	Up     bool   `json:"up"`
	AgeS   Num    `json:"age_seconds,omitempty"`
	RTTS   Num    `json:"rtt_seconds,omitempty"`
	Loss   Num    `json:"loss_ratio,omitempty"`
}

// Alarm is one active alarm.
type Alarm struct {
	ID           string    `json:"id"`
	Short        string    `json:"short,omitempty"` // the id for a person to type
	Rule         string    `json:"rule"`
	Of           string    `json:"of,omitempty"`
	Severity     string    `json:"severity"`
	Since        time.Time `json:"since"`
	Acknowledged bool      `json:"acknowledged,omitempty"`
	MutedUntil   time.Time `json:"muted_until,omitzero"`
	Title        string    `json:"title"`
	Text         string    `json:"text,omitempty"`
	Advice       []string  `json:"advice,omitempty"`
}

// Channel is one way to the owner.
type Channel struct {
	Name     string             `json:"name"`
	Waiting  int                `json:"waiting"`
	Outcomes map[string]float64 `json:"outcomes,omitempty"`
	Error    string             `json:"error,omitempty"`
}

// Log is one line of the log.
type Log struct {
	At   time.Time `json:"at"`
	Text string    `json:"text"`
}

// Parse reads a state. Whoever answers at an address may be something else than a node, so it
// must be one JSON object, fit the schema and hold the name of a site, a moment or a charge.
// All but one of them may be missing: an older node says less.
func Parse(body []byte) (*State, error) {
	var s State
	d := json.NewDecoder(bytes.NewReader(body))
	if err := d.Decode(&s); err != nil {
		return nil, fmt.Errorf("it is no state of a node: %w", err)
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return nil, errors.New("it is no state of a node: something follows it")
	}
	if s.Site == "" && s.At.IsZero() && s.Battery.SoC == nil {
		return nil, errors.New("it is no state of a node: neither site, at nor battery.soc is in it")
	}
	s.Peers, s.Readings = s.Peers[:min(len(s.Peers), MaxList)], s.Readings[:min(len(s.Readings), MaxList)]
	return &s, nil
}
