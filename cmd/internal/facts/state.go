package facts

import (
	"fmt"
	"math"
	"time"

	"ebbwatch/collector/reading"
	"ebbwatch/estimator/outlook"
)

// Num is a number that may be unknown: nil is left out of the JSON, so that absent is
// never zero. Infinite numbers cannot be written in JSON and are left out as well.
type Num = *float64

// State is the answer of /api/v1/state. Its fields are stable: fields are added, never
// renamed, and one that is not known is left out.
type State struct {
	Site         string             `json:"site"`
	At           time.Time          `json:"at"` // in the zone of the site
	ClockTrusted bool               `json:"clock_trusted"`
	UptimeS      float64            `json:"uptime_seconds"`
	Ready        bool               `json:"ready"`
	Unready      []string           `json:"unready,omitempty"`
	Level        Level              `json:"level"`
	Headline     string             `json:"headline"`
	Battery      BatteryState       `json:"battery"`
	Outlook      *OutlookState      `json:"outlook,omitempty"`
	Readings     []ReadingState     `json:"readings"`
	Facts        map[string]float64 `json:"facts"`
	Sources      []SourceState      `json:"sources"`
	Peers        []PeerState        `json:"peers"`
	Alarms       []AlarmState       `json:"alarms"`
	Channels     []ChannelState     `json:"channels"`
	EnergyJoules map[string]float64 `json:"energy_joules,omitempty"`
	Problems     []string           `json:"problems,omitempty"`
	Log          []LogState         `json:"log"`
	Version      string             `json:"version,omitempty"`
}

// BatteryState is what is believed of the battery and what the owner said of it.
type BatteryState struct {
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

// OutlookState is the look ahead. Hours are from At; hours that are left out lie beyond
// the horizon.
type OutlookState struct {
	At           time.Time   `json:"at"`
	HorizonHours float64     `json:"horizon_hours"`
	Reserve      WindowState `json:"reserve"`
	Cutoff       WindowState `json:"cutoff"`
	DarkHours    Num         `json:"dark_hours,omitempty"`
	BackHours    Num         `json:"back_hours,omitempty"`
	BackLate     Num         `json:"back_late_hours,omitempty"` // in 19 of 20 futures
	BackSun      Num         `json:"back_sun_hours,omitempty"`  // hours of full sun from a cut-off to the return
	FullSun      Num         `json:"full_sun_watts,omitempty"`  // what the panel brings in full sun
	NoSunHours   Num         `json:"no_sun_hours,omitempty"`
	Record       string      `json:"record,omitempty"` // how good the forecasts so far were, for people
}

// WindowState says when something is expected.
type WindowState struct {
	P10    Num            `json:"hours_p10,omitempty"`
	P50    Num            `json:"hours_p50,omitempty"`
	P90    Num            `json:"hours_p90,omitempty"`
	Within map[string]Num `json:"within"` // chance by span: 24h, 48h, …
}

// ReadingState is the newest value of one quantity.
type ReadingState struct {
	Name    string  `json:"name"`
	Value   float64 `json:"value"`
	Unit    string  `json:"unit,omitempty"`
	Text    string  `json:"text,omitempty"` // the charging stage in words
	AgeS    float64 `json:"age_seconds"`
	Source  string  `json:"source,omitempty"`
	Suspect string  `json:"suspect,omitempty"` // why the value is doubted: it is told nowhere else then
}

// SourceState is the health of one source.
type SourceState struct {
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

// PeerState is what is known of the way to one peer.
type PeerState struct {
	Name   string `json:"name"`
	Source string `json:"source,omitempty"`
	Known  bool   `json:"known"`
	Up     bool   `json:"up"`
	AgeS   Num    `json:"age_seconds,omitempty"`
	RTTS   Num    `json:"rtt_seconds,omitempty"`
	Loss   Num    `json:"loss_ratio,omitempty"`
}

// AlarmState is one active alarm.
type AlarmState struct {
	ID       string    `json:"id"`
	Rule     string    `json:"rule"`
	Of       string    `json:"of,omitempty"`
	Severity string    `json:"severity"`
	Since    time.Time `json:"since"`
	Title    string    `json:"title"`
	Text     string    `json:"text,omitempty"`
	Advice   []string  `json:"advice,omitempty"`
}

// ChannelState is one way to the owner.
type ChannelState struct {
	Name     string             `json:"name"`
	Waiting  int                `json:"waiting"`
	Outcomes map[string]float64 `json:"outcomes,omitempty"`
	Error    string             `json:"error,omitempty"`
}

// LogState is one line of the log.
type LogState struct {
	At   time.Time `json:"at"`
	Text string    `json:"text"`
}

// num keeps a finite number and drops the rest.
func num(x float64) Num {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return nil
	}
	return &x
}

func numIf(known bool, x float64) Num {
	if !known {
		return nil
	}
	return num(x)
}

// StateOf makes the state from a snapshot.
func StateOf(s *Snapshot) State {
	h := HeadlineOf(s)
	st := State{
		Site: s.Site, At: s.Local(s.At.Wall), ClockTrusted: s.At.Trusted,
		UptimeS: (s.At.Mono - s.Started.Mono).Seconds(),
		Ready:   s.Ready, Unready: s.Unready,
		Level: h.Level, Headline: h.String(),
		Battery: batteryState(s), Outlook: outlookState(s), Readings: readingStates(s),
		Facts: factsOf(s), EnergyJoules: s.Energy, Problems: s.Problems, Version: s.Build.Version,
		Sources: []SourceState{}, Peers: []PeerState{}, Alarms: []AlarmState{}, Channels: []ChannelState{}, Log: []LogState{},
	}
	for _, x := range s.Sources {
		st.Sources = append(st.Sources, SourceState{x.Name, x.Kind, x.Every.Seconds(), x.Up, x.Tried,
			numIf(x.Age >= 0, x.Age.Seconds()), numIf(x.Tried, x.Took.Seconds()), x.Err, x.Errors})
	}
	for _, x := range s.Peers {
		st.Peers = append(st.Peers, PeerState{x.Name, x.Source, x.Known, x.Known && x.Up,
			numIf(x.Known, x.Age.Seconds()), numIf(x.Known, x.RTTSeconds), numIf(x.Known, x.LossRatio)})
	}
	for _, x := range s.Alarms {
		st.Alarms = append(st.Alarms, AlarmState(x))
	}
	for _, x := range s.Channels {
		st.Channels = append(st.Channels, ChannelState{x.Name, x.Waiting, x.Outcomes, x.Err})
	}
	for _, x := range s.Log {
		st.Log = append(st.Log, LogState(x))
	}
	return st
}

func batteryState(s *Snapshot) BatteryState {
	b, known := s.Belief, s.BeliefKnown()
	read := func(q reading.Quantity) Num { return numIf(s.Reading[q].Usable(), s.Reading[q].X) }
	return BatteryState{
		SoC: numIf(known, b.SoC), Low: numIf(known, b.Low), High: numIf(known, b.High),
		Reserve: numIf(s.Battery.CapacityAh > 0, s.Battery.Reserve), UsableAh: numIf(known, b.UsableAh),
		Volts: read(reading.BatteryVolts), Amps: read(reading.BatteryAmps), Celsius: read(reading.BatteryCelsius),
		NetWatts: numIf(known, b.NetWatts), UnmeteredWatts: numIf(known, b.UnmeteredWatts),
		HoursSinceFull: numIf(known && b.SinceFull >= 0, b.SinceFull.Hours()),
		Full:           known && b.Full, Curtailed: known && b.Curtailed,
	}
}

func outlookState(s *Snapshot) *OutlookState {
	if !s.OutlookKnown() {
		return nil
	}
	o := s.Outlook
	return &OutlookState{
		At: o.At, HorizonHours: outlook.Horizon.Hours(),
		Reserve: windowState(o.Reserve), Cutoff: windowState(o.Cutoff),
		DarkHours: num(o.DarkHours), BackHours: num(o.BackHours), NoSunHours: num(o.NoSunHours),
		Record:   s.Ledger,
		BackLate: numIf(o.BackLateHours > 0, o.BackLateHours),
		BackSun:  numIf(o.BackSunHours > 0, o.BackSunHours), FullSun: numIf(o.FullSunWatts > 0, o.FullSunWatts),
	}
}

func windowState(w outlook.Window) WindowState {
	st := WindowState{P10: num(w.P10), P50: num(w.P50), P90: num(w.P90), Within: map[string]Num{}}
	for i, hours := range outlook.Withins() {
		if p := num(w.Within[i]); p != nil {
			st.Within[fmt.Sprintf("%dh", hours)] = p
		}
	}
	return st
}

func readingStates(s *Snapshot) []ReadingState {
	states := []ReadingState{}
	for q, m := range s.Reading {
		if !m.Known || num(m.X) == nil {
			continue
		}
		info := reading.Quantities()[q]
		st := ReadingState{info.Name, m.X, info.Unit, "", m.Age.Seconds(), m.Source, m.Suspect}
		if reading.Quantity(q) == reading.ChargeStage {
			st.Text = reading.ChargeState(m.X).String()
		}
		states = append(states, st)
	}
	return states
}

// factsOf lists the facts of the whole site by the names that rules use.
func factsOf(s *Snapshot) map[string]float64 {
	known := map[string]float64{}
	for _, r := range Table() {
		if r.Fact == "" || len(r.Labels) > 0 {
			continue
		}
		r.Each(s, func(x float64, _ ...string) {
			if num(x) != nil {
				known[r.Fact] = x
			}
		})
	}
	return known
}
