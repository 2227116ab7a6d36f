package facts

import (
	"ebbwatch/estimator/battery"
)

// adviceRows are what actions would buy, for the texts of rules: no metric and no line of
// the page, which shows the whole price list instead.
func adviceRows() []Row {
	fact := func(name, unit, label, help string) Row {
		return Row{Fact: name, Unit: unit, Group: GroupRules, Label: label, Help: help, Each: extra(name)}
	}
	return []Row{
		fact("act_by_hours", "h", "Act within", "Hours until the last sensible moment to leave for a trip that helps"),
		fact("advice_chance_before", "%", "Chance without", "Chance of a cut-off within a week when nothing is done, of the moment of the advice"),
		fact("advice_shed_from_hour", "h", "Shed from", "Hour of the local day from which shedding a load helps"),
		fact("advice_shed_to_hour", "h", "Shed until", "Hour of the local day until which shedding a load helps"),
		fact("advice_shed_chance_after", "%", "Chance with that", "Chance of a cut-off within a week with that"),
		fact("advice_topup_wh", "Wh", "Bring", "Charge to bring"),
		fact("advice_topup_chance_after", "%", "Chance with that", "Chance of a cut-off within a week with that"),
		fact("advice_clean_hours", "h", "A clear panel buys", "Hours of service that a clear panel would buy"),
	}
}

// judgeRows are what rules judge by beside what is measured: no metric of their own.
func judgeRows() []Row {
	fact := func(name, unit, label, help string, each func(*Snapshot, func(float64, ...string))) Row {
		return Row{Fact: name, Unit: unit, Group: GroupRules, Label: label, Help: help, Decimals: 1, Each: each}
	}
	return []Row{
		fact("warn_chance", "%", "Warned from", "Chance of a cut-off within five days at which the owner is warned", extra("warn_chance")),
		fact("load_dark", "", "Load is off", "The load is off now, as far as the readings tell (1) or not (0)",
			one(func(s *Snapshot) (float64, bool) { return truth(s.Outlook.Dark), s.OutlookKnown() })),
		fact("reading_age_seconds", "s", "Readings are", "Age of the newest reading that tells of the battery",
			one(func(s *Snapshot) (float64, bool) { return s.Heard.Seconds(), s.Heard >= 0 })),
		fact("blind", "", "Nothing tells of the battery", "Readings told of the battery once and do so no more (1) or do (0)",
			one(func(s *Snapshot) (float64, bool) { silent, _ := s.unheard(); return truth(silent), s.Heard >= 0 })),
		fact("back_hours_ago", "h", "Back since", "Hours since the load, or the node itself, came back", extra("back_hours_ago")),
		fact("outage_hours", "h", "Last outage", "How long the load was off, or the node silent, the last time", extra("outage_hours")),
		fact("outage_said_chance", "%", "Said before", "Chance of a cut-off within three days as it stood when the last outage began", extra("outage_said_chance")),
		fact("outages", "", "Outages", "How often the load was off, or the node silent, for hours", extra("outages")),
		fact("outage_of_empty_battery", "", "Battery was empty", "The battery was as good as empty before the last outage (1) or not (0)", extra("outage_of_empty_battery")),
		fact("sure_soc_low", "%", "Last sure, low end", "Low end of the charge when it was last read", extra("sure_soc_low")),
		fact("sure_soc_high", "%", "Last sure, high end", "High end of the charge when it was last read", extra("sure_soc_high")),
		fact("array_watts_peak", "W", "Panel by its label", "Power of the panels by their label, as told or as learned", extra("array_watts_peak")),
		fact("pv_clear_watts", "W", "Under a clear sky", "Power that the panel would give now under a clear sky, by its label", extra("pv_clear_watts")),
		fact("pv_sky_watts", "W", "Under the forecast sky", "Power that the panel should give now under the sky that the forecast told, by what is known of the panel", extra("pv_sky_watts")),
		fact("outlook_standing", "", "Outlook", "How far the outlook is believed: 0 well, 1 the panel is still learned, 2 the panel's light speaks against the place", extra("outlook_standing")),
		fact("place_agrees", "", "Light fits the place", "The panel's light has agreed with the sun as computed (1) or not yet (0)", extra("place_agrees")),
		fact("place_doubted", "", "Place doubted", "The panel's light speaks against the coordinates or the clock (1) or not (0)", extra("place_doubted")),
		fact("light_late_hours", "h", "Light comes late by", "Hours by which the middle of the panel's light comes after the computed noon", extra("light_late_hours")),
		fact("array_tilt_degrees", "°", "Panel's tilt", "Tilt of the panel from horizontal, as told or as learned", extra("array_tilt_degrees")),
		fact("array_azimuth_degrees", "°", "Panel looks to", "Azimuth of the panel from north, clockwise, as told or as learned", extra("array_azimuth_degrees")),
		fact("battery_low_celsius_12h", "°C", "Coldest of 12 h", "Lowest battery temperature of the last twelve hours", extra("battery_low_celsius_12h")),
		fact("curtailed", "", "Charger holds back", "The charger takes less than the panel could give (1) or not (0)",
			one(func(s *Snapshot) (float64, bool) { return truth(s.Belief.Curtailed), s.BeliefKnown() })),
		fact("ghost_found", "", "Load past the meters", "A load past the meters is as good as certain (1) or not (0)",
			one(func(s *Snapshot) (float64, bool) { return truth(s.Belief.UnmeteredFound), s.BeliefKnown() })),
		fact("battery_replaced", "", "Another battery", "The voltage says that this is another battery than yesterday (1) or not (0)",
			one(func(s *Snapshot) (float64, bool) { return truth(s.Belief.Replaced), s.BeliefKnown() })),
		fact("drain_watts", "W", "Leaves unmeasured", "All that leaves unmeasured: loads past the meters and the sensor's zero error together",
			believed(func(b battery.Belief) float64 { return b.DrainWatts })),
		fact("claim_gap_ratio", "%", "Controller claims more by", "The controller's own claim of charge less what is believed, 0 to 1",
			believed(func(b battery.Belief) float64 { return b.ClaimGap })),
		fact("unmetered_watts_sd", "W", "Error of that", "Standard deviation of the load past the meters",
			believed(func(b battery.Belief) float64 { return b.UnmeteredSD })),
		fact("load_creep_ratio_sd", "%", "Error of that", "Standard deviation of the load's creep, by how much its days differ", extra("load_creep_ratio_sd")),
		fact("health_ratio_sd", "%", "Error of that", "Standard deviation of the battery's health, 0 to 1",
			believed(func(b battery.Belief) float64 { return b.HealthSD })),
	}
}
