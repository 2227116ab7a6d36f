package factstest

import (
	"math"
	"time"

	"ebbwatch/cmd/internal/facts"
	"ebbwatch/collector/reading"
	"ebbwatch/estimator/advice"
	"ebbwatch/estimator/battery"
	"ebbwatch/estimator/outlook"
)

// Noon is the moment of all snapshots: a Tuesday in late November.
func Noon() time.Time { return time.Date(2026, 11, 24, 12, 30, 0, 0, zone()) }

// zone is a fixed zone, so that the tests need no zone files.
func zone() *time.Location { return time.FixedZone("CET", 3600) }

// Empty is what is known right after the first start on a board without a clock: nothing.
func Empty() *facts.Snapshot {
	nan := math.NaN()
	return &facts.Snapshot{
		Site: "slipway", Zone: zone(), Heard: -1,
		At:      reading.Stamp{Mono: 2 * time.Second, Wall: time.Date(1970, 1, 1, 0, 0, 12, 0, time.UTC)},
		Started: reading.Stamp{Wall: time.Date(1970, 1, 1, 0, 0, 10, 0, time.UTC)},
		Battery: battery.Battery{CapacityAh: 80, Cells: 4, Reserve: 0.2, CutoffVolts: 11.6},
		Belief: battery.Belief{SoC: nan, Low: nan, High: nan, SoCSD: nan, UsableAh: nan, UsableAhSD: nan,
			OffsetAmps: nan, UnmeteredWatts: nan, MilliOhms: nan, NetWatts: nan, LoadWatts: nan, Health: nan, SinceFull: -1},
		Sources: []facts.Source{{Name: "charger", Kind: "modbus", Every: 10 * time.Second, Age: -1}},
		Unready: []string{"source charger: no reading yet", "the wall clock is not set"},
	}
}

// Rich is a good day with every part answering.
func Rich() *facts.Snapshot {
	s := Empty()
	s.At = reading.Stamp{Mono: 50 * time.Hour, Wall: Noon(), Trusted: true}
	s.Started = reading.Stamp{Wall: Noon().Add(-50 * time.Hour)}
	s.Ready, s.Unready, s.Heard = true, nil, 4*time.Second
	s.Build = facts.Build{Version: "1.0.0", Revision: "abc1234", Go: "go1.26"}
	s.Array = outlook.Site{Latitude: 52.75, Longitude: 6.57, WattsPeak: 240, TiltDeg: 60, AzimuthDeg: 180, MPPT: true, Zone: zone()}
	setReadings(s)
	s.Belief = battery.Belief{
		SoC: 0.61, Low: 0.571, High: 0.643, SoCSD: 0.022, UsableAh: 76.4, UsableAhSD: 2.5,
		OffsetAmps: 0.03, OffsetSD: 0.02, UnmeteredWatts: 1.4, UnmeteredSD: 0.5, MilliOhms: 38,
		SinceFull: 70 * time.Hour, NetWatts: 24.4, LoadWatts: 12.9, Health: 0.96, HealthSD: 0.02,
	}
	s.Outlook = look(Noon(), 0.61, 63, 91, math.NaN(), [5]float64{0, 0, 0.18, 0.56, 0.72})
	cutOff(s, outlook.Window{P10: 108, P50: 139, P90: math.NaN(), Within: [5]float64{0, 0, 0.01, 0.22, 0.53}})
	s.Ledger = "Forecasts of going dark within 3 days: of 41 at about 70 %, 28 came true; none of 171 that said unlikely (one a day, 212 so far)."
	s.Sources = []facts.Source{
		{Name: "charger", Kind: "modbus", Every: 10 * time.Second, Up: true, Tried: true, Age: 4 * time.Second, Took: 118 * time.Millisecond,
			Errors: map[string]float64{"timeout": 3, "crc": 1}, Doubts: map[reading.Quantity]string{reading.ChargeAmps: "", reading.PanelWatts: ""}},
		{Name: "box", Kind: "hwmon", Every: time.Minute, Up: true, Tried: true, Age: 31 * time.Second, Took: 2 * time.Millisecond},
		{Name: "path", Kind: "ping", Every: 30 * time.Second, Up: true, Tried: true, Age: 12 * time.Second, Took: 41 * time.Millisecond},
	}
	s.Peers = []facts.Peer{
		{Name: "gate", Source: "path", Up: true, Known: true, Age: 12 * time.Second, RTTSeconds: 0.0031, LossRatio: 0, RTTP95: 0.0052, Jitter: 0.0004, SoC: math.NaN()},
		{Name: "boathouse", Source: "path", Up: true, Known: true, Age: 12 * time.Second, RTTSeconds: 0.0118, LossRatio: 0.02, RTTP95: 0.031, Jitter: 0.0021, SoC: 0.83},
		{Name: "island", Source: "path", Up: false, Known: true, Age: 12 * time.Second, RTTSeconds: math.NaN(), LossRatio: 1, RTTP95: math.NaN(), Jitter: math.NaN(), SoC: math.NaN()},
	}
	s.Channels = []facts.Channel{{Name: "owner", Outcomes: map[string]float64{"sent": 4, "failed": 1}}}
	s.Energy = map[string]float64{"pv": 5.1e6, "load": 4.4e6}
	s.Extra = map[string]float64{
		"harvest_today_joules": 212e3, "harvest_clear_today_joules": 540e3, "load_today_joules": 561e3,
		"sun_elevation_degrees": 16.2, "disk_free_ratio": 0.71, "forecast_age_seconds": 5400, "load_creep_ratio": 0.03, "load_creep_ratio_sd": 0.01,
		"harvest_held_today_seconds": 5400, "config_accepted": 1,
	}
	s.Log = []facts.LogLine{
		{At: Noon().Add(-50 * time.Hour), Text: "ebbwatch 1.0.0 started"},
		{At: Noon().Add(-3 * time.Hour), Text: "source charger: cannot read: no answer within 500 ms; will ask again"},
		{At: Noon().Add(-3*time.Hour + 10*time.Second), Text: "source charger answers again after 10 s"},
	}
	return s
}

func setReadings(s *facts.Snapshot) {
	for q, x := range map[reading.Quantity]float64{
		reading.BatteryVolts: 13.21, reading.BatteryAmps: 1.85, reading.BatteryCelsius: 4.5, reading.PanelVolts: 31.2,
		reading.PanelAmps: 1.23, reading.PanelWatts: 38.4, reading.ChargeAmps: 2.83, reading.LoadVolts: 13.19, reading.LoadAmps: 0.87,
		reading.LoadWatts: 11.5, reading.LoadOn: 1, reading.AirCelsius: 2.1, reading.ControllerCelsius: 11,
		reading.ChargeStage: float64(reading.Bulk), reading.ControllerSoC: 0.83,
	} {
		s.Reading[q] = facts.Measured{Known: true, X: x, Age: 4 * time.Second, Source: "charger"}
	}
	s.Reading[reading.AirCelsius].Source = "box"
	s.Reading[reading.AirCelsius].Age = 31 * time.Second
}

// Alarmed is a bad morning: below the reserve, frost, a silent source and a receiver that
// cannot be reached.
func Alarmed() *facts.Snapshot {
	s := Rich()
	s.Belief.SoC, s.Belief.Low, s.Belief.High = 0.17, 0.12, 0.231
	s.Belief.SinceFull = 300 * time.Hour
	s.Outlook = look(Noon(), 0.17, 0, 0, 0, [5]float64{1, 1, 1, 1, 1})
	cutOff(s, outlook.Window{P10: 14, P50: 19, P90: 44, Within: [5]float64{0.63, 0.91, 0.97, 1, 1}})
	s.Outlook.DarkHours, s.Outlook.BackHours = 41, 27
	s.Outlook.Spell = outlook.Spell{Early: 14, From: 16, To: 21, Lasts: 41, Back: 59}
	s.Reading[reading.BatteryCelsius].X = -3.5
	s.Reading[reading.AirCelsius] = facts.Measured{Age: time.Hour}
	const why = "disagrees with the battery's current by 4 A"
	s.Reading[reading.ChargeAmps].Suspect = why
	s.Sources[0].Doubts[reading.ChargeAmps] = why
	s.Sources[1] = facts.Source{Name: "box", Kind: "hwmon", Every: time.Minute, Tried: true, Age: 34 * time.Minute, Took: time.Millisecond,
		Err: "cannot read curr1_input of ina226: no such device", Errors: map[string]float64{"port": 34}}
	s.Channels[0].Waiting, s.Channels[0].Err = 2, "cannot post to 10.20.0.1: connection refused"
	s.Problems = []string{"history: the card is full; keeping the last day in memory only"}
	s.Alarms = []facts.Alarm{
		{ID: "a1", Short: "1", Rule: "cutoff_ahead", Severity: "critical", Since: Noon().Add(-5 * time.Hour), Title: "Cut-off ahead",
			Text:   "The load is likely to go off between Wednesday 02:00 and 07:00.",
			Advice: []string{"Switching the access point off from 00:00 to 06:00 buys about 9 hours.", "A trip takes 1.5 h: leave by 14:30 to work in daylight."}},
		{ID: "a2", Short: "2", Rule: "source_silent", Of: "box", Severity: "warning", Since: Noon().Add(-34 * time.Minute), Title: "Source box is silent",
			Text: "No answer for 34 min."},
		{ID: "a3", Short: "3", Rule: "cold_charge", Severity: "warning", Since: Noon().Add(-2 * time.Hour), Title: "Battery below freezing",
			Text: "The battery is at −3.5 °C.", Advice: []string{"Check that the battery's own protection stops the charge."}},
	}
	return s
}

// cutOff sets when the load may go, in the table and along the fan.
func cutOff(s *facts.Snapshot, w outlook.Window) {
	s.Outlook.Cutoff = w
	last, lastHours := 0.0, 0.0
	for i, hours := range outlook.Withins() {
		for k := range s.Outlook.Fan {
			if p := &s.Outlook.Fan[k]; p.Hours >= lastHours {
				p.Cutoff = last + (w.Within[i]-last)*min(1, (p.Hours-lastHours)/(float64(hours)-lastHours))
			}
		}
		last, lastHours = w.Within[i], float64(hours)
	}
}

// look invents a fan that sinks from a charge and swings with the day.
func look(at time.Time, soc, p10, p50, p90 float64, within [5]float64) outlook.Outlook {
	o := outlook.Outlook{At: at, Reserve: outlook.Window{P10: p10, P50: p50, P90: p90, Within: within}, DarkHours: 6, BackHours: math.NaN(), NoSunHours: 57}
	o.Spell = outlook.Spell{Early: p10, From: p10, To: p50, Lasts: 6, Back: math.NaN()}
	for h := 0.0; h <= outlook.Horizon.Hours(); h++ {
		wave := 0.05 * math.Sin((h+1)/24*2*math.Pi)
		mid := soc - 0.0022*h + wave
		wide := 0.02 + 0.021*math.Sqrt(h)
		light := math.Sin((h + 4.5) / 24 * 2 * math.Pi) // from 08:00 on
		o.Fan = append(o.Fan, outlook.FanPoint{
			Hours: h, P10: clamp(mid - wide), P25: clamp(mid - wide/2), P50: clamp(mid), P75: clamp(mid + wide/2), P90: clamp(mid + wide),
			SunWatts: max(0, 60*light),
		})
	}
	return o
}

func clamp(x float64) float64 { return min(max(x, 0), 1) }

// Scenes are the situations that a surface must tell apart, by name. They are made anew each time.
func Scenes() map[string]func() *facts.Snapshot {
	of := func(base func() *facts.Snapshot, change func(*facts.Snapshot)) func() *facts.Snapshot {
		return func() *facts.Snapshot {
			s := base()
			change(s)
			return s
		}
	}
	return map[string]func() *facts.Snapshot{
		"empty": Empty, "rich": Rich, "alarmed": Alarmed, "well": Well,
		"unread": of(Empty, func(s *facts.Snapshot) {
			s.Ready, s.Unready, s.At.Mono = true, nil, 5*time.Minute
			s.Sources[0].Tried, s.Sources[0].Err = true, "cannot open /dev/serial/by-id/usb-0001: no such file or directory"
		}),
		"learning": of(Well, func(s *facts.Snapshot) {
			s.Lessons = []outlook.Lesson{{What: "what the panel gives", Left: 4, Of: "sun"}, {What: "how the load differs from day to day", Left: 3}}
			s.Belief.Low, s.Belief.High = 0.21, 0.98
		}),
		"doubted": of(Well, func(s *facts.Snapshot) {
			s.Reading[reading.BatteryVolts].Suspect = "18.20 V is more than 4 cells can have"
		}),
		"blind": of(Rich, func(s *facts.Snapshot) { Silence(s, 3*time.Hour) }),
		"dark": of(Alarmed, func(s *facts.Snapshot) {
			s.Outlook.Dark = true
			s.Belief.SoC, s.Belief.Low, s.Belief.High = 0.04, 0.01, 0.09
			cutOff(s, outlook.Window{Within: [5]float64{1, 1, 1, 1, 1}})
		}),
		"clockless": of(Rich, func(s *facts.Snapshot) { s.At.Trusted = false }),
		"offers": of(Rich, func(s *facts.Snapshot) {
			s.Offers = []advice.Offer{
				{Text: "Switch the access point off from 23:00 to 06:00 until Sunday", Before: 0.53, After: 0.09, HoursGained: 31, ActBy: Noon().Add(10 * time.Hour)},
				{Text: "Bring 240 Wh of charge", Before: 0.53, After: 0.22, HoursGained: 14, Trip: true, ActBy: Noon().Add(52 * time.Hour)},
				{Text: "Clear the panel", Before: 0.53, After: 0.4, HoursGained: 6, Trip: true},
			}
		}),
		"maintained": of(Well, func(s *facts.Snapshot) {
			s.Problems = []string{"somebody works here until Tue 16:30: new fuse; nothing is sent, and the outlook learns nothing"}
		}),
	}
}

// Well is a day on which there is nothing to do.
func Well() *facts.Snapshot {
	s := Rich()
	s.Belief.SoC, s.Belief.Low, s.Belief.High = 0.86, 0.83, 0.89
	s.Outlook = look(Noon(), 0.86, math.NaN(), math.NaN(), math.NaN(), [5]float64{})
	for i := range s.Outlook.Fan {
		p, lift := &s.Outlook.Fan[i], 0.0015*float64(i)
		p.P10, p.P25, p.P50, p.P75, p.P90 = clamp(p.P10+lift), clamp(p.P25+lift), clamp(p.P50+lift), clamp(p.P75+lift), clamp(p.P90+lift)
	}
	s.Outlook.Cutoff = outlook.Window{P10: math.NaN(), P50: math.NaN(), P90: math.NaN()}
	s.Outlook.DarkHours = 0
	s.Peers[2] = s.Peers[1]
	s.Peers[2].Name, s.Peers[2].SoC = "island", math.NaN()
	return s
}

// Silence takes the readings away: nothing was heard for so long.
func Silence(s *facts.Snapshot, d time.Duration) {
	s.Heard = d
	for i := range s.Sources {
		if x := &s.Sources[i]; x.Kind != "ping" {
			x.Up, x.Age, x.Err = false, d, "cannot read: no answer within 500 ms"
		}
	}
	for q := range s.Reading {
		s.Reading[q] = facts.Measured{}
	}
}
