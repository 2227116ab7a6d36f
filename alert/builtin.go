package alert

// Builtin are the rules that apply without any configuration, in the order in which they
// explain each other away. Thresholds are common practice in the trade unless a rule names
// a source; every one can be changed by name, see [Config].
func Builtin() []Rule {
	return []Rule{
		sourceSilent(), readingDoubted(), cutoffAhead(), reserveAhead(),
		chargingBelowFreezing(), overTemperature(), chargeHeldByCold(), panelDark(), panelCovered(), chargeStopped(), placeDoubted(),
		loadCreep(), loadUnmetered(), notFull(), beliefDisagrees(), batteryReplaced(), capacityFading(),
		peerLost(), pathDegrading(), noticesRefused(), clockUntrusted(), diskNearlyFull(), forecastStale(),
	}
}

// body is the text of a rung: what and when, how sure, why, and what happens if nothing is
// done; then how to mute, and how old it is.
func body(what, sure, why, ifNothing string) string {
	return what + "\nHow sure: " + sure + "\nWhy: " + why + "\nIf nothing is done: " + ifNothing +
		"\n{{mute}}\nAs of {{now}}{{if known `reading_age_seconds`}}; readings {{seconds `reading_age_seconds`}} old{{end}}."
}

// usualWarnChance is the chance of a cut-off within five days at which the owner is warned,
// where no budget of false alarms sets another. On measured winters with a forecast it gave
// about one false alarm a year, and a median lead above four days.
const usualWarnChance = 0.5

// facts adds what the engine itself knows to the facts: trip_hours, and, where nobody
// computed better, warn_chance and act_by_hours as the early end of the cut-off's window
// less the trip.
func (e Engine) facts(get Lookup) Lookup {
	return func(name string) (float64, bool) {
		x, known := get(name)
		switch {
		case known:
			return x, true
		case name == "trip_hours" && e.TripHours > 0:
			return e.TripHours, true
		case name == "warn_chance":
			return usualWarnChance, true
		case name == "cutoff_ahead_hours":
			if dark, known := get("load_dark"); known && dark > 0 {
				return 0, false // it is not ahead any more
			}
			return get("cutoff_hours_p50")
		case name == "act_by_hours":
			p10, known := get("cutoff_hours_p10")
			return max(0, p10-e.TripHours), known
		}
		return 0, false
	}
}
