package alert

// Builtin are the rules that apply without any configuration, in the order in which they
// explain each other away. Thresholds are common practice in the trade unless a rule names
// a source; every one can be changed by name, see [Config].
func Builtin() []Rule {
	rules := []Rule{
		blind(), sourceSilent(), readingDoubted(), cutoffAhead(), reserveAhead(), back(),
		chargingBelowFreezing(), overTemperature(), chargeHeldByCold(), panelDark(), panelCovered(), chargeStopped(), placeDoubted(),
		loadCreep(), loadUnmetered(), notFull(), beliefDisagrees(), batteryReplaced(), capacityFading(),
		peerLost(), pathDegrading(), noticesRefused(), clockUntrusted(), diskNearlyFull(), nothingKept(), samplesRefused(), forecastStale(),
	}
	for i, r := range rules {
		if over, told := endings()[r.Name]; told {
			rules[i].OverTitle = "{{site}}: " + over
		}
	}
	return rules
}

// endings are the titles that tell of an end, after the name of the site.
func endings() map[string]string {
	return map[string]string{
		"blind": "it sees its battery again", "source_silent": "{{of}} answers again", "reading_doubted": "{{of}} agrees with the others again",
		"cutoff_ahead": "no longer expected to go dark", "reserve_ahead": "battery no longer expected low",
		"charging_below_freezing": "no longer charged below freezing", "over_temperature": "no longer too hot",
		"charge_held_by_cold": "charges again after the cold", "panel_dark": "the panel gives voltage again",
		"panel_covered": "the panel gives power again", "charge_stopped": "charges again",
		"load_creep": "the load is as usual again", "load_unmetered": "no more is drawn past the meters",
		"not_full": "the battery was full again", "belief_disagrees": "the charge is known again",
		"battery_replaced": "the battery fits again", "capacity_fading": "the battery holds what it should",
		"peer_lost": "{{of}} is within reach again", "path_degrading": "the link to {{of}} is good again",
		"notices_refused": "{{of}} takes notices again", "clock_untrusted": "the clock is right again",
		"disk_nearly_full": "the disk has room again", "forecast_stale": "new weather forecasts again", "place_doubted": "the light fits its place again",
	}
}

// body is the text of a rung: what and when, how sure, why, and what happens if nothing is
// done.
func body(what, sure, why, ifNothing string) string {
	return what + "\nHow sure: " + sure + "\nWhy: " + why + "\nIf nothing is done: " + ifNothing
}

// usualWarnChance is the chance of a cut-off within five days at which the owner is warned,
// where no budget of false alarms sets another. On measured winters with a forecast it gave
// about one false alarm a year, and a median lead above four days.
const usualWarnChance = 0.5

// inTime tells whether somebody who leaves at the time that the advice gives is there before
// the first of the futures go dark; not known where no trip helps. A quarter of an hour is the
// least that a decision takes.
func (e Engine) inTime(get Lookup) (float64, bool) {
	leave, known := get("act_by_hours")
	early, alsoKnown := get("dark_early_hours")
	trip, told := get("trip_hours")
	if !told {
		trip = e.TripHours
	}
	before, priced := get("advice_chance_before")
	after, alsoPriced := get("advice_topup_chance_after")
	if _, clean := get("advice_clean_hours"); !clean && priced && alsoPriced && chance(before) == chance(after) {
		return 0, false // nobody is sent out for nothing
	}
	if !known || !alsoKnown || leave < 0.25 || leave+trip > early {
		return 0, known && alsoKnown
	}
	return 1, true
}

// actBy is the last sensible moment to leave, as the advice has it, else the early end of the
// cut-off's window less the trip.
func (e Engine) actBy(get Lookup) (hours float64, known bool) {
	if x, known := get("act_by_hours"); known {
		return x, true
	}
	early, known := get("dark_early_hours")
	return max(0, early-e.TripHours), known
}

// facts adds what the engine itself knows to the facts: trip_hours, and, where nobody
// computed better, warn_chance and act_by_hours as the early end of the cut-off's window
// less the trip.
func (e Engine) facts(s *State, get Lookup) Lookup {
	return func(name string) (float64, bool) {
		x, known := get(name)
		of, fact, span, ok := overSpan(name)
		local := s.At.In(e.zone())
		switch {
		case ok:
			return s.Series[fact].over(of, span, s.Elapsed)
		case name == "hour" && s.Trusted:
			return float64(local.Hour()) + float64(local.Minute())/60, true
		case name == "weekday" && s.Trusted: // as people count: Monday is 1, Sunday 7
			return float64((int(local.Weekday())+6)%7 + 1), true
		case known:
			return x, true
		case name == "trip_hours" && e.TripHours > 0:
			return e.TripHours, true
		case name == "warn_chance":
			return usualWarnChance, true
		case name == "act_by_hours":
			return e.actBy(get)
		case name == "act_ahead_hours":
			if dark, known := get("load_dark"); known && dark > 0 {
				return 0, false // nothing can be prevented any more
			}
			return e.actBy(get)
		case name == "in_time":
			return e.inTime(get)
		}
		return 0, false
	}
}
