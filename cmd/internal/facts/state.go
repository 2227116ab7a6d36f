package facts

import (
	"fmt"
	"math"
	"time"

	"ebbwatch/collector/nodestate"
	"ebbwatch/collector/reading"
	"ebbwatch/estimator/outlook"
)

// num keeps a finite number and drops the rest.
func num(x float64) nodestate.Num {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return nil
	}
	return &x
}

func numIf(known bool, x float64) nodestate.Num {
	if !known {
		return nil
	}
	return num(x)
}

// StateOf makes the state from a snapshot.
func StateOf(s *Snapshot) nodestate.State {
	h := HeadlineOf(s)
	knowledge, why := KnowledgeOf(s)
	st := nodestate.State{
		Schema: nodestate.Schema,
		Site:   s.Site, At: s.Local(s.At.Wall), ClockTrusted: s.At.Trusted,
		UptimeS: (s.At.Mono - s.Started.Mono).Seconds(),
		Ready:   s.Ready, Unready: s.Unready,
		Level: string(h.Level), Headline: h.String(), Knowledge: nodestate.Knowledge{State: string(knowledge), Why: why},
		Battery: batteryState(s), Outlook: outlookState(s), Readings: readingStates(s),
		Facts: factsOf(s), EnergyJoules: s.Energy, Problems: s.Problems, Version: s.Build.Version,
		Sources: []nodestate.Source{}, Peers: []nodestate.Peer{}, Alarms: []nodestate.Alarm{}, Channels: []nodestate.Channel{}, Log: []nodestate.Log{},
	}
	for _, x := range s.Sources {
		st.Sources = append(st.Sources, nodestate.Source{Name: x.Name, Kind: x.Kind, EveryS: x.Every.Seconds(), Up: x.Up, Tried: x.Tried,
			AgeS: numIf(x.Age >= 0, x.Age.Seconds()), TookS: numIf(x.Tried, x.Took.Seconds()), Error: x.Err, Errors: x.Errors})
	}
	for _, x := range s.Peers {
		st.Peers = append(st.Peers, nodestate.Peer{Name: x.Name, Source: x.Source, Known: x.Known, Up: x.Known && x.Up,
			AgeS: numIf(x.Known, x.Age.Seconds()), RTTS: numIf(x.Known, x.RTTSeconds), Loss: numIf(x.Known, x.LossRatio)})
	}
	for _, x := range s.Alarms {
		st.Alarms = append(st.Alarms, nodestate.Alarm(x))
	}
	for _, x := range s.Channels {
		st.Channels = append(st.Channels, nodestate.Channel{Name: x.Name, Waiting: x.Waiting, Outcomes: x.Outcomes, Error: x.Err})
	}
	for _, x := range s.Log {
		st.Log = append(st.Log, nodestate.Log(x))
	}
	return st
}

func batteryState(s *Snapshot) nodestate.Battery {
	b, known := s.Belief, s.BeliefKnown()
	read := func(q reading.Quantity) nodestate.Num { return numIf(s.Reading[q].Usable(), s.Reading[q].X) }
	return nodestate.Battery{
		SoC: numIf(known, b.SoC), Low: numIf(known, b.Low), High: numIf(known, b.High),
		Reserve: numIf(s.Battery.CapacityAh > 0, s.Battery.Reserve), UsableAh: numIf(known, b.UsableAh),
		Volts: read(reading.BatteryVolts), Amps: read(reading.BatteryAmps), Celsius: read(reading.BatteryCelsius),
		NetWatts: numIf(known, b.NetWatts), UnmeteredWatts: numIf(known, b.UnmeteredWatts),
		HoursSinceFull: numIf(known && b.SinceFull >= 0, b.SinceFull.Hours()),
		Full:           known && b.Full, Curtailed: known && b.Curtailed,
	}
}

func outlookState(s *Snapshot) *nodestate.Outlook {
	if !s.OutlookKnown() {
		return nil
	}
	o := s.Outlook
	return &nodestate.Outlook{
		At: o.At, HorizonHours: outlook.Horizon.Hours(),
		Reserve: windowState(o.Reserve), Cutoff: windowState(o.Cutoff),
		DarkHours: num(o.DarkHours), BackHours: num(o.BackHours), NoSunHours: num(o.NoSunHours),
		Record:   s.Ledger,
		BackLate: numIf(o.BackLateHours > 0, o.BackLateHours),
		BackSun:  numIf(o.BackSunHours > 0, o.BackSunHours), FullSun: numIf(o.FullSunWatts > 0, o.FullSunWatts),
	}
}

func windowState(w outlook.Window) nodestate.Window {
	st := nodestate.Window{P10: num(w.P10), P50: num(w.P50), P90: num(w.P90), Within: map[string]nodestate.Num{}}
	for i, hours := range outlook.Withins() {
		if p := num(w.Within[i]); p != nil {
			st.Within[fmt.Sprintf("%dh", hours)] = p
		}
	}
	return st
}

func readingStates(s *Snapshot) []nodestate.Reading {
	states := []nodestate.Reading{}
	for q, m := range s.Reading {
		if !m.Known || num(m.X) == nil {
			continue
		}
		info := reading.Quantities()[q]
		st := nodestate.Reading{Name: info.Name, Value: m.X, Unit: info.Unit, AgeS: m.Age.Seconds(), Source: m.Source, Suspect: m.Suspect}
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

// Handled says what was done about an alarm: it was seen, or its messages are kept back. It is
// empty where nothing was.
func Handled(seen bool, mutedUntil time.Time) (said string) {
	if seen {
		said = "Seen. "
	}
	if !mutedUntil.IsZero() {
		said += "Muted until " + mutedUntil.Format("Mon 15:04") + ". "
	}
	return said
}
