package facts

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"time"

	"ebbwatch/collector/reading"
	"ebbwatch/estimator/battery"
	"ebbwatch/estimator/outlook"
)

func believed(get func(battery.Belief) float64) func(*Snapshot, func(float64, ...string)) {
	return one(func(s *Snapshot) (float64, bool) { return get(s.Belief), s.BeliefKnown() })
}

// BeliefKnown tells whether anything is believed of the battery yet on the strength of readings.
func (s *Snapshot) BeliefKnown() bool {
	return s.Heard >= 0 && s.Belief.High > 0 && !math.IsNaN(s.Belief.SoC)
}

// Ahead is what is left of hours that the outlook counted from its own moment: it is made
// now and then, and stays in use until the next. Never less than none.
func (s *Snapshot) Ahead(hours float64) float64 {
	return max(0, hours-s.OutlookAge().Hours())
}

// OutlookAge is how old the outlook is. A span that only a clock that was set can make
// counts as none.
func (s *Snapshot) OutlookAge() time.Duration {
	age := s.At.Wall.Sub(s.Outlook.At)
	if age < 0 || age > 48*time.Hour {
		return 0
	}
	return age
}

// OutlookKnown tells whether there has been a look ahead yet.
func (s *Snapshot) OutlookKnown() bool { return s.Heard >= 0 && !s.Outlook.At.IsZero() }

func batteryRows() []Row {
	return []Row{
		{Fact: "battery_soc", Metric: "battery_soc_ratio", Unit: "%", Group: GroupBattery, Label: "Charge",
			Help: "Believed charge of the battery, 0 to 1",
			Each: believed(func(b battery.Belief) float64 { return b.SoC })},
		{Fact: "battery_soc_low", Metric: "battery_soc_low_ratio", Unit: "%", Group: GroupBattery, Label: "Charge, low end",
			Help: "Low end of the 90 % band of the charge, 0 to 1",
			Each: believed(func(b battery.Belief) float64 { return b.Low })},
		{Fact: "battery_soc_high", Metric: "battery_soc_high_ratio", Unit: "%", Group: GroupBattery, Label: "Charge, high end",
			Help: "High end of the 90 % band of the charge, 0 to 1",
			Each: believed(func(b battery.Belief) float64 { return b.High })},
		{Fact: "battery_volts", Metric: "battery_volts", Unit: "V", Decimals: 2, Group: GroupBattery, Label: "Voltage",
			Help: "Battery voltage as measured", Each: measured(reading.BatteryVolts)},
		{Fact: "battery_amps", Metric: "battery_amperes", Unit: "A", Decimals: 2, Group: GroupBattery, Label: "Current",
			Help: "Battery current as measured, positive into the battery", Each: measured(reading.BatteryAmps)},
		{Fact: "battery_usable_ampere_hours", Metric: "battery_usable_ampere_hours", Unit: "Ah", Decimals: 1, Group: GroupBattery, Label: "Usable capacity",
			Help: "Believed capacity of the battery at its present temperature and age, full to empty",
			Each: believed(func(b battery.Belief) float64 { return b.UsableAh })},
		{Fact: "battery_full", Unit: "", Group: GroupBattery, Label: "Full", Words: yesNo,
			Help: "1 while the battery is held at absorption with the current tapered",
			Each: believed(func(b battery.Belief) float64 { return truth(b.Full) })},
		{Fact: "hours_since_full", Unit: "h", Group: GroupBattery, Label: "Since last full",
			Help: "Hours since the last true full charge",
			Each: one(func(s *Snapshot) (float64, bool) {
				return s.Belief.SinceFull.Hours(), s.BeliefKnown() && s.Belief.SinceFull >= 0
			})},
		{Fact: "health_ratio", Unit: "%", Group: GroupBattery, Label: "Capacity against the label",
			Help: "Learned capacity of the battery as a share of its label",
			Each: believed(func(b battery.Belief) float64 { return b.Health })},
		{Fact: "cutoff_soc", Unit: "%", Group: GroupBattery, Label: "Cut-off expected at",
			Help: "Charge at which the cut-off is expected, 0 to 1", Each: extra("cutoff_soc")},
		{Fact: "controller_soc", Unit: "%", Group: GroupBattery, Label: "Charge, says the controller",
			Help: "The controller's own claim of charge, 0 to 1", Each: measured(reading.ControllerSoC)},
	}
}

// outlookRows keeps the rows of one metric together: first the hours, then the chances.
func outlookRows() []Row {
	rows := slices.Concat(
		windowRows("reserve", "the charge may reach the reserve", func(o outlook.Outlook) outlook.Window { return o.Reserve }),
		windowRows("cutoff", "the load may be cut off", func(o outlook.Outlook) outlook.Window { return o.Cutoff }),
	)
	looked := func(get func(*Snapshot) float64) func(*Snapshot, func(float64, ...string)) {
		return one(func(s *Snapshot) (float64, bool) { return get(s), s.OutlookKnown() })
	}
	return append(rows,
		Row{Fact: "dark_hours", Unit: "h", Group: GroupOutlook, Label: "Dark hours expected",
			Help: "Expected hours without load in the next ten days",
			Each: looked(func(s *Snapshot) float64 { return s.Outlook.DarkHours })},
		Row{Fact: "back_hours", Unit: "h", Group: GroupOutlook, Label: "Back after a cut-off",
			Help: "Median hours until the load is fed again after a cut-off",
			Each: looked(func(s *Snapshot) float64 { return s.Ahead(s.Outlook.BackHours) })},
		spellRow("dark_early_hours", "Dark at the earliest", "Hours until one in ten of the futures that go dark within a week has gone", func(s outlook.Spell) float64 { return s.Early }),
		spellRow("dark_from_hours", "Dark most likely from", "Hours until the likeliest span of the cut-off begins, of the futures that go dark within a week", func(s outlook.Spell) float64 { return s.From }),
		spellRow("dark_to_hours", "Dark most likely until", "Hours until the likeliest span of the cut-off ends", func(s outlook.Spell) float64 { return s.To }),
		spellRow("dark_back_hours", "Back from that", "Hours until the load is fed again, given a cut-off in its likeliest span", func(s outlook.Spell) float64 { return s.Back }),
		Row{Fact: "dark_lasts_hours", Unit: "h", Group: GroupOutlook, Label: "Dark then for",
			Help: "Hours that a cut-off in its likeliest span lasts",
			Each: one(func(s *Snapshot) (float64, bool) { return s.Outlook.Spell.Lasts, s.OutlookKnown() })},
		Row{Fact: "no_sun_hours", Unit: "h", Group: GroupOutlook, Label: "Without any sun",
			Help: "Hours to cut-off were there no sun at all",
			Each: looked(func(s *Snapshot) float64 { return s.Ahead(beyond(s.Outlook.NoSunHours)) })},
	)
}

// spellRow is a moment of the spell that may come, in hours from now.
func spellRow(fact, label, help string, of func(outlook.Spell) float64) Row {
	return Row{Fact: fact, Unit: "h", Group: GroupOutlook, Label: label, Help: help,
		Each: one(func(s *Snapshot) (float64, bool) { return s.Ahead(of(s.Outlook.Spell)), s.OutlookKnown() })}
}

// beyond makes "not within the horizon" comparable: a rule that asks for less than a day
// must find it false, not unknown, or its alarm would never clear.
func beyond(hours float64) float64 {
	if math.IsNaN(hours) {
		return math.Inf(1)
	}
	return hours
}

func windowRows(what, help string, of func(outlook.Outlook) outlook.Window) []Row {
	var rows []Row
	for i, q := range [3]string{"0.1", "0.5", "0.9"} {
		p := [3]string{"p10", "p50", "p90"}[i]
		rows = append(rows, Row{
			Fact: what + "_hours_" + p, Metric: what + "_seconds", Type: Untyped, Scale: 3600, Unit: "h", Group: GroupOutlook,
			Label: fmt.Sprintf("Hours to %s, %s", what, p),
			Help:  "Time until " + help + ", by quantile; +Inf beyond the horizon of 240 h",
			Fixed: []Label{{"quantile", q}},
			Each: one(func(s *Snapshot) (float64, bool) {
				w := of(s.Outlook)
				return s.Ahead(beyond([3]float64{w.P10, w.P50, w.P90}[i])), s.OutlookKnown()
			}),
		})
	}
	for i, hours := range outlook.Withins() {
		within := fmt.Sprintf("%dh", hours)
		rows = append(rows, Row{
			Fact: what + "_within_" + within, Metric: what + "_probability_ratio", Unit: "%", Group: GroupOutlook,
			Label: fmt.Sprintf("Chance of %s within %d h", what, hours),
			Help:  "Chance that " + help + " within a span, 0 to 1",
			Fixed: []Label{{"within", within}},
			Each: one(func(s *Snapshot) (float64, bool) {
				return of(s.Outlook).Within[i], s.OutlookKnown()
			}),
		})
	}
	return rows
}

func solarRows() []Row {
	return []Row{
		{Fact: "pv_watts", Metric: "pv_watts", Unit: "W", Group: GroupSolar, Label: "Panel power",
			Help: "Power of the panel", Each: power(func(r *reading.Reading, _ float64) reading.Flow { return r.PanelPower() })},
		{Fact: "pv_volts", Unit: "V", Decimals: 1, Group: GroupSolar, Label: "Panel voltage",
			Help: "Voltage of the panel", Each: measured(reading.PanelVolts)},
		{Fact: "pv_amps", Unit: "A", Decimals: 2, Group: GroupSolar, Label: "Panel current",
			Help: "Current of the panel", Each: measured(reading.PanelAmps)},
		{Fact: "charge_amps", Unit: "A", Decimals: 2, Group: GroupSolar, Label: "Charging current",
			Help: "Charging current out of the controller", Each: measured(reading.ChargeAmps)},
		{Fact: "charge_state", Group: GroupSolar, Label: "Charging stage", Words: func(x float64) string { return reading.ChargeState(x).String() },
			Help: "Charging stage: 0 off, 1 bulk, 2 absorption, 3 float, 4 equalize, 5 fault", Each: measured(reading.ChargeStage)},
		{Fact: "harvest_today_joules", Unit: "J", Words: wattHours, Group: GroupSolar, Label: "Harvest today",
			Help: "Energy that the panel gave since local midnight", Each: extra("harvest_today_joules")},
		{Fact: "harvest_sky_today_joules", Unit: "J", Words: wattHours, Group: GroupSolar, Label: "This sky should have given",
			Help: "Energy that the sky of today should have given since local midnight", Each: extra("harvest_sky_today_joules")},
		{Fact: "harvest_clear_today_joules", Unit: "J", Words: wattHours, Group: GroupSolar, Label: "A clear sky would have given",
			Help: "Energy that a clear sky would have given since local midnight", Each: extra("harvest_clear_today_joules")},
		{Fact: "harvest_held_today_seconds", Unit: "s", Words: ago, Group: GroupSolar, Label: "Held back today",
			Help: "How long today, in daylight, the battery was full or the charger took less than the panel could give", Each: extra("harvest_held_today_seconds")},
		{Fact: "harvest_yesterday_joules", Unit: "J", Words: wattHours, Group: GroupSolar, Label: "Harvest yesterday",
			Help: "Energy that the panel gave on the last whole day", Each: extra("harvest_yesterday_joules")},
		{Fact: "harvest_yesterday_ratio", Unit: "%", Group: GroupSolar, Label: "Of what its sky should have given",
			Help: "Harvest of the last whole day against what its sky should have given; not known where the charger held back", Each: extra("harvest_yesterday_ratio")},
		{Fact: "harvest_week_ratio", Unit: "%", Group: GroupSolar, Label: "The same over the last days",
			Help: "Harvest of the last seven whole days against what their skies should have given, of those on which the charger took all", Each: extra("harvest_week_ratio")},
		{Fact: "sun_elevation_degrees", Unit: "°", Decimals: 1, Group: GroupSolar, Label: "Sun above the horizon",
			Help: "Elevation of the sun", Each: extra("sun_elevation_degrees")},
		{Fact: "forecast_age_seconds", Unit: "s", Words: ago, Group: GroupSolar, Label: "Age of the forecast",
			Help: "Age of the weather forecast in use", Each: extra("forecast_age_seconds")},
	}
}

func loadRows() []Row {
	return []Row{
		{Fact: "load_watts", Metric: "load_watts", Unit: "W", Decimals: 1, Group: GroupLoad, Label: "Load",
			Help: "Power of the load as measured", Each: power((*reading.Reading).LoadPower)},
		{Fact: "load_volts", Unit: "V", Decimals: 2, Group: GroupLoad, Label: "Load voltage",
			Help: "Voltage at the load output", Each: measured(reading.LoadVolts)},
		{Fact: "load_amps", Unit: "A", Decimals: 2, Group: GroupLoad, Label: "Load current",
			Help: "Current of the load", Each: measured(reading.LoadAmps)},
		{Fact: "load_on", Group: GroupLoad, Label: "Load output on", Words: yesNo,
			Help: "1 while the load output is switched on", Each: measured(reading.LoadOn)},
		{Fact: "unmetered_watts", Unit: "W", Decimals: 1, Group: GroupLoad, Label: "Load past the meters",
			Help: "Believed load that leaves the battery past the meters",
			Each: believed(func(b battery.Belief) float64 { return b.UnmeteredWatts })},
		{Fact: "load_creep_ratio", Unit: "%", Group: GroupLoad, Label: "Load creep",
			Help: "How much the load grew over its long mean", Each: extra("load_creep_ratio")},
		{Fact: "load_today_joules", Unit: "J", Words: wattHours, Group: GroupLoad, Label: "Used today",
			Help: "Energy that the load took since local midnight", Each: extra("load_today_joules")},
		{Fact: "energy_joules_total", Metric: "energy_joules_total", Type: Counter, Unit: "J", Words: wattHours, Group: GroupLoad, Label: "Energy",
			Help: "Energy since the start of the record, by flow", Labels: []string{"flow"},
			Each: func(s *Snapshot, yield func(float64, ...string)) {
				for _, flow := range slices.Sorted(maps.Keys(s.Energy)) {
					yield(s.Energy[flow], flow)
				}
			}},
	}
}

func warmthRows() []Row {
	return []Row{
		{Fact: "battery_celsius", Metric: "battery_celsius", Unit: "°C", Decimals: 1, Group: GroupWarmth, Label: "Battery",
			Help: "Temperature of the battery", Each: measured(reading.BatteryCelsius)},
		{Fact: "charge_release_celsius", Unit: "°C", Decimals: 1, Group: GroupWarmth, Label: "Charge refused until",
			Help: "Temperature at which the battery's protection was seen to let charge in again after a frost", Each: extra("charge_release_celsius")},
		{Fact: "air_celsius", Unit: "°C", Decimals: 1, Group: GroupWarmth, Label: "Air",
			Help: "Temperature of the air", Each: measured(reading.AirCelsius)},
		{Fact: "controller_celsius", Unit: "°C", Decimals: 1, Group: GroupWarmth, Label: "Controller",
			Help: "Temperature of the controller", Each: measured(reading.ControllerCelsius)},
	}
}

func pathRows() []Row {
	peer := func(get func(Peer) float64) func(*Snapshot, func(float64, ...string)) {
		return func(s *Snapshot, yield func(float64, ...string)) {
			for _, p := range s.Peers {
				if x := get(p); p.Known && !math.IsNaN(x) {
					yield(x, p.Name)
				}
			}
		}
	}
	of := []string{"peer"}
	return []Row{
		{Fact: "peer_up", Metric: "peer_up", Group: GroupPath, Label: "Answers", Labels: of,
			Help: "1 while the peer answers", Each: peer(func(p Peer) float64 { return truth(p.Up) })},
		{Fact: "peer_rtt_seconds", Metric: "peer_rtt_seconds", Unit: "s", Decimals: 3, Group: GroupPath, Label: "Round trip", Labels: of,
			Help: "Median round trip to the peer", Each: peer(func(p Peer) float64 { return p.RTTSeconds })},
		{Fact: "peer_loss_ratio", Metric: "peer_loss_ratio", Unit: "%", Group: GroupPath, Label: "Loss", Labels: of,
			Help: "Share of probes that the peer did not answer, 0 to 1", Each: peer(func(p Peer) float64 { return p.LossRatio })},
		{Fact: "peer_rtt_p95_seconds", Metric: "peer_rtt_p95_seconds", Unit: "s", Decimals: 3, Group: GroupPath, Label: "Slowest round trips", Labels: of,
			Help: "95th percentile of the round trip to the peer", Each: peer(func(p Peer) float64 { return p.RTTP95 })},
		{Fact: "peer_jitter_seconds", Metric: "peer_jitter_seconds", Unit: "s", Decimals: 3, Group: GroupPath, Label: "Jitter", Labels: of,
			Help: "Mean change between successive round trips to the peer", Each: peer(func(p Peer) float64 { return p.Jitter })},
		{Fact: "peer_soc", Metric: "peer_soc_ratio", Unit: "%", Group: GroupPath, Label: "Its charge", Labels: of,
			Help: "Charge that the peer reports of its own battery, 0 to 1", Each: peer(func(p Peer) float64 { return p.SoC })},
	}
}

func sourceRows() []Row {
	source := func(get func(Source) (float64, bool)) func(*Snapshot, func(float64, ...string)) {
		return func(s *Snapshot, yield func(float64, ...string)) {
			for _, src := range s.Sources {
				if x, known := get(src); known {
					yield(x, src.Name)
				}
			}
		}
	}
	of := []string{"source"}
	return []Row{
		{Fact: "source_up", Metric: "source_up", Group: GroupSources, Label: "Answers", Labels: of,
			Help: "1 when the last poll of the source gave values",
			Each: source(func(s Source) (float64, bool) { return truth(s.Up), s.Tried })},
		{Fact: "source_age_seconds", Metric: "source_age_seconds", Unit: "s", Words: ago, Group: GroupSources, Label: "Age", Labels: of,
			Help: "Time since the last good poll of the source",
			Each: source(func(s Source) (float64, bool) { return since(s.Age) })},
		{Fact: "source_poll_seconds", Metric: "source_poll_seconds", Unit: "s", Decimals: 3, Group: GroupSources, Label: "Poll took", Labels: of,
			Help: "How long the last poll of the source took",
			Each: source(func(s Source) (float64, bool) { return s.Took.Seconds(), s.Tried })},
		{Fact: "source_every_seconds", Unit: "s", Words: ago, Group: GroupSources, Label: "Period", Labels: of,
			Help: "Period of the polls of the source",
			Each: source(func(s Source) (float64, bool) { return s.Every.Seconds(), true })},
		{Fact: "source_errors_total", Metric: "source_errors_total", Type: Counter, Group: GroupSources, Label: "Errors", Labels: []string{"source", "kind"},
			Help: "Failed polls of the source, by kind of error",
			Each: func(s *Snapshot, yield func(float64, ...string)) {
				for _, src := range s.Sources {
					for _, kind := range slices.Sorted(maps.Keys(src.Errors)) {
						yield(src.Errors[kind], src.Name, kind)
					}
				}
			}},
		{Fact: "source_doubtful", Group: GroupSources, Label: "Doubted quantities", Labels: of,
			Help: "Number of quantities of the source that other readings contradict",
			Each: source(func(s Source) (float64, bool) { return float64(s.Doubtful()), len(s.Doubts) > 0 })},
		{Fact: "reading_doubtful", Metric: "reading_doubtful", Group: GroupSources, Label: "Doubted", Labels: []string{"quantity", "source"},
			Help: "1 while a reading is doubted and so left out of everything else, 0 while it is believed",
			Each: func(s *Snapshot, yield func(float64, ...string)) {
				for _, src := range s.Sources {
					for _, q := range slices.Sorted(maps.Keys(src.Doubts)) {
						yield(truth(src.Doubts[q] != ""), q.String(), src.Name)
					}
				}
			}},
	}
}

func noticeRows() []Row {
	return []Row{
		{Metric: "alert_active", Group: GroupDaemon, Label: "Alarms", Labels: []string{"rule", "severity"},
			Help: "Number of active alarms of a rule, by severity", Each: eachAlarm},
		{Fact: "notices_total", Metric: "notices_total", Type: Counter, Group: GroupDaemon, Label: "Notices", Labels: []string{"channel", "outcome"},
			Help: "Attempts to hand a notice to a channel, by outcome",
			Each: func(s *Snapshot, yield func(float64, ...string)) {
				for _, c := range s.Channels {
					for _, outcome := range slices.Sorted(maps.Keys(c.Outcomes)) {
						yield(c.Outcomes[outcome], c.Name, outcome)
					}
				}
			}},
		{Fact: "notices_refused_total", Metric: "notices_refused_total", Type: Counter, Group: GroupDaemon, Label: "Notices refused", Labels: []string{"channel"},
			Help: "Notices that the receiver turned down at least once; they are tried again for days",
			Each: eachChannel(func(c Channel) float64 { return c.Outcomes["refused"] })},
		{Fact: "notices_refused", Group: GroupRules, Label: "Notices refused and waiting", Help: "Notices that wait because the receiver turned them down", Labels: []string{"channel"},
			Each: eachChannel(func(c Channel) float64 { return float64(c.Refusing) })},
		{Fact: "notices_waiting", Metric: "notices_waiting", Group: GroupDaemon, Label: "Notices waiting",
			Help: "Notices that still wait to be sent",
			Each: one(func(s *Snapshot) (float64, bool) {
				n := 0
				for _, c := range s.Channels {
					n += c.Waiting
				}
				return float64(n), true
			})},
	}
}

// eachChannel makes the Each of a row that has one number a channel.
func eachChannel(of func(Channel) float64) func(*Snapshot, func(float64, ...string)) {
	return func(s *Snapshot, yield func(float64, ...string)) {
		for _, c := range s.Channels {
			yield(of(c), c.Name)
		}
	}
}

// eachAlarm counts alarms, since one rule may hold for several sources or peers at once.
func eachAlarm(s *Snapshot, yield func(float64, ...string)) {
	type key struct{ rule, severity string }
	n := map[key]float64{}
	var order []key
	for _, a := range s.Alarms {
		k := key{a.Rule, a.Severity}
		if n[k] == 0 {
			order = append(order, k)
		}
		n[k]++
	}
	for _, k := range order {
		yield(n[k], k.rule, k.severity)
	}
}

func daemonRows() []Row {
	return []Row{
		{Fact: "clock_trusted", Metric: "clock_trusted", Group: GroupDaemon, Label: "Clock trusted", Words: yesNo,
			Help: "1 when the wall clock is known to be right",
			Each: one(func(s *Snapshot) (float64, bool) { return truth(s.At.Trusted), true })},
		{Fact: "config_accepted", Metric: "config_accepted", Group: GroupDaemon, Label: "Configuration accepted", Words: yesNo,
			Help: "1 when all of the configuration could be used; 0 while a part of it cannot, such as a channel whose file with the address is missing",
			Each: extra("config_accepted")},
		{Metric: "build_info", Group: GroupDaemon, Label: "Build", Labels: []string{"version", "revision", "goversion"},
			Help: "1, with the version of the program in its labels",
			Each: func(s *Snapshot, yield func(float64, ...string)) {
				yield(1, s.Build.Version, s.Build.Revision, s.Build.Go)
			}},
		{Fact: "uptime_seconds", Unit: "s", Words: ago, Group: GroupDaemon, Label: "Up for",
			Help: "Time since the daemon was started",
			Each: one(func(s *Snapshot) (float64, bool) { return since(s.At.Mono - s.Started.Mono) })},
		{Fact: "disk_free_ratio", Unit: "%", Group: GroupDaemon, Label: "Disk free",
			Help: "Free share of the disk that holds the state", Each: extra("disk_free_ratio")},
		{Fact: "state_kept", Metric: "state_kept", Group: GroupDaemon, Label: "State kept", Words: yesNo,
			Help: "1 when what must survive a restart could be written; 0 while it is held in memory alone", Each: extra("state_kept")},
		{Fact: "record_kept", Metric: "record_kept", Group: GroupDaemon, Label: "Record kept", Words: yesNo,
			Help: "1 when the samples could be written; 0 while the last day of them is held in memory alone", Each: extra("record_kept")},
		{Fact: "remote_write_refused_total", Metric: "remote_write_refused_total", Type: Counter, Group: GroupDaemon, Label: "Samples refused",
			Help: "Samples that the server of remote write would not have since the start; they are left out there", Each: extra("remote_write_refused_total")},
		{Fact: "remote_write_since_refusal_seconds", Unit: "s", Words: ago, Group: GroupDaemon, Label: "Last sample refused",
			Help: "Time since the server of remote write refused a sample", Each: extra("remote_write_since_refusal_seconds")},
	}
}
