package alert

import "time"

// Daylight is asked of the computed sun, never of the clock: two hours in which the panel
// would give a good share of its power under a clear sky are evidence enough. Where the
// panel is not described, the height of the sun stands in. Until the panel's light has agreed
// with the computed sun, darkness may as well be the night of a mistyped place.
const (
	daylight  = "(not known(place_agrees) or place_agrees > 0) and (pv_clear_watts > 0.15 * array_watts_peak or not known(pv_clear_watts) and sun_elevation_degrees > 10)"
	noCharge  = "(charge_amps < 0.1 or not known(charge_amps) and pv_watts < 2)"
	charging  = "(charge_amps > 0.3 or not known(charge_amps) and pv_watts > 5)"
	notYet    = "battery_full == 0"
	wanting   = "(curtailed == 0 or not known(curtailed) and (charge_state == off or charge_state == bulk or not known(charge_state)))"
	panelSeen = "pv_volts > battery_volts + 1"
	evidence  = 2 * time.Hour
)

// caution stands in every text that may bring somebody to open the box.
const caution = `A panel is live in any light, and a battery can melt a spanner: if you are not used to it, ask somebody who is.`

// chargingBelowFreezing follows what makers of LiFePO4 cells say: no charging below 0 °C.
func chargingBelowFreezing() Rule {
	return Rule{
		Name: "charging_below_freezing", Summary: "the battery is charged below freezing",
		Rungs: []Rung{{
			Severity: Critical, For: 5 * time.Minute, AnyHour: true,
			When:  MustExpr("battery_celsius < 0 and (battery_amps > 0.2 or not known(battery_amps) and charge_amps > load_amps + 0.2)"),
			Title: `{{site}}: charging at {{celsius "battery_celsius"}}: stop it`,
			Text: body(
				`The battery of {{site}} is being charged now at {{celsius "battery_celsius"}}. Charging below 0 °C damages it for good.`,
				`measured for more than five minutes{{if known "battery_amps"}}; {{amps "battery_amps"}} flow into the battery{{end}}.`,
				`the protection against cold is missing, or its probe does not sit on the battery.`,
				`it loses capacity with every cold morning, and may become unsafe.`),
			Advice: []string{
				`Stop the charging until the battery is warmer than 5 °C: open the breaker of the panel. Leave the battery's own protection as it is.`,
				`Have the charger's low-temperature limit set to 0 °C or above, and its probe fixed to the battery.`,
				caution,
			},
		}},
		Clear: MustExpr("battery_celsius > 2 or battery_amps <= 0.1"), ClearFor: 30 * time.Minute,
	}
}

func overTemperature() Rule {
	text := body(
		`The battery of {{site}} is at {{celsius "battery_celsius"}} now{{if known "controller_celsius"}}, the charger at {{celsius "controller_celsius"}}{{end}}.`,
		`measured.`,
		`sun on the box, too little air, or a fault in the battery{{if known "air_celsius"}}; the air is at {{celsius "air_celsius"}}{{end}}.`,
		`{{if gt (fact "battery_celsius") 45.0}}the battery ages fast, its protection may switch it off, and the node goes dark{{else}}the charger gives less, and ages fast{{end}}.`)
	advice := []string{
		`Shade the box and let air through. Switch off what can wait, and the charging, until it is below 40 °C.`,
		`A battery that is swollen, hissing or smells: keep away and call the fire service.`,
	}
	return Rule{
		Name: "over_temperature", Summary: "the battery is too hot",
		Rungs: []Rung{
			{Name: "hot", Severity: Warning, For: 10 * time.Minute, Title: `{{site}}: {{if gt (fact "controller_celsius") 80.0}}charger hot, {{celsius "controller_celsius"}}{{else}}battery hot, {{celsius "battery_celsius"}}{{end}}`, Text: text, Advice: advice,
				When: MustExpr("battery_celsius > 50 or battery_celsius > 45 and battery_amps > 0.2 or controller_celsius > 80")},
			{Name: "far too hot", Severity: Critical, For: 2 * time.Minute, AnyHour: true, Title: `{{site}}: battery far too hot, {{celsius "battery_celsius"}}`, Text: text, Advice: advice,
				When: MustExpr("battery_celsius > 60")},
		},
		Clear: MustExpr("battery_celsius < 42 and (controller_celsius < 70 or not known(controller_celsius))"), ClearFor: 30 * time.Minute,
	}
}

// chargeHeldByCold is not a fault: the protection does its work. It often lets the charge
// in again only at 5 °C, so between 1 and 5 °C it counts whether the battery was colder
// in the last twelve hours.
func chargeHeldByCold() Rule {
	return Rule{
		Name: "charge_held_by_cold", Summary: "cold holds the charging back",
		Rungs: []Rung{{
			Severity: Info, For: evidence,
			When: MustExpr(daylight + " and " + panelSeen + " and " + noCharge + " and " + notYet +
				" and (battery_celsius <= 1 or battery_celsius <= 5 and battery_low_celsius_12h <= 1)"),
			Title: `{{site}}: too cold to charge ({{celsius "battery_celsius"}})`,
			Text: body(
				`{{site}} does not charge now, in daylight, because its battery is at {{celsius "battery_celsius"}}. It is protected, not broken.`,
				`measured for two hours: the panel gives {{volts "pv_volts"}}, and no current flows.`,
				`below 0 °C a battery of this kind must not be charged; many let the charge in again only at 5 °C.`,
				`it charges again once the battery is warmer than about 5 °C. Until then it lives on what it has: {{percent "battery_soc"}}.`),
			Advice: []string{
				`No trip is needed for this. Do not bypass the protection.`,
				`If it happens often, insulate the box; a heater only with a thermal cut-off of its own.`,
			},
		}},
		Clear: MustExpr(charging + " or battery_celsius > 8"), ClearFor: 10 * time.Minute,
	}
}

// panelDark is a panel without voltage in daylight: even under snow a panel that is
// connected shows some.
func panelDark() Rule {
	return Rule{
		Name: "panel_dark", Summary: "the panel gives no voltage in daylight",
		Rungs: []Rung{{
			Severity: Warning, For: evidence,
			When:  MustExpr(daylight + " and pv_volts < 0.3 * battery_volts"),
			Title: `{{site}}: panel dead in daylight ({{volts "pv_volts"}})`,
			Text: body(
				`The panel of {{site}} has given no voltage for two hours of daylight: {{volts "pv_volts"}}.`,
				`measured, with the sun computed for the place.`,
				`a breaker that tripped, a wire or plug that is open, or the panel is gone. Snow alone leaves some voltage.`,
				`nothing charges the battery, which is at {{percent "battery_soc"}}{{if known "no_sun_hours"}}: dark about {{clock "no_sun_hours"}}{{end}}.`),
			Advice: []string{
				`Look at the breaker first, then at plugs and wire from the panel down. Bring fuses, connectors and a meter.`, caution,
			},
		}},
		Clear: MustExpr("pv_volts > 0.8 * battery_volts"), ClearFor: 10 * time.Minute,
	}
}

// panelCovered is a panel that is connected and gives next to nothing where frost is about.
// A thick overcast still gives some 5 % of a clear sky.
func panelCovered() Rule {
	return Rule{
		Name: "panel_covered", Summary: "snow seems to lie on the panel", After: []string{"panel_dark", "charge_held_by_cold"},
		Rungs: []Rung{{
			Severity: Warning, For: evidence,
			When: MustExpr(daylight + " and pv_volts >= 0.3 * battery_volts and pv_watts < 0.02 * pv_clear_watts" +
				" and " + wanting + " and (air_celsius < 2 or not known(air_celsius) and battery_celsius < 4) and " + notYet),
			Title: `{{site}}: snow on the panel?`,
			Text: body(
				`The panel of {{site}} has given {{watts "pv_watts"}} for two hours of daylight, where a clear sky would give {{watts "pv_clear_watts"}}.`,
				`likely, not certain: the panel is connected ({{volts "pv_volts"}}), and it is cold. A very dark day looks alike.`,
				`snow, ice or hoar frost on the panel.`,
				`little charge until it slides off or melts; the battery is at {{percent "battery_soc"}}{{if known "no_sun_hours"}}, enough until about {{clock "no_sun_hours"}} without any sun{{end}}.`),
			Advice: []string{
				`{{if known "advice_clean_hours"}}Brushing it off is worth about {{hours "advice_clean_hours"}} of running.{{else}}If you pass by, brush it off with something soft.{{end}}`,
				`Do not climb for it, and do not travel in dangerous weather.`,
			},
		}},
		Clear: MustExpr("pv_watts > 0.1 * pv_clear_watts and pv_watts > 5"), ClearFor: 20 * time.Minute,
	}
}

// chargeStopped is a good panel, a battery that could take charge, and none that flows.
func chargeStopped() Rule {
	return Rule{
		Name: "charge_stopped", Summary: "nothing charges the battery in daylight",
		After: []string{"panel_dark", "panel_covered", "charge_held_by_cold"},
		Rungs: []Rung{{
			Severity: Warning, For: evidence,
			When: MustExpr(daylight + " and " + panelSeen + " and " + noCharge + " and battery_celsius > 5 and " + wanting + " and " + notYet +
				" and (pv_watts < 0.02 * pv_clear_watts or not known(pv_clear_watts) or not known(pv_watts))"),
			Title: `{{site}}: panel fine, but nothing charges`,
			Text: body(
				`{{site}} has not charged for two hours of daylight, though its panel gives {{volts "pv_volts"}} and its battery ({{percent "battery_soc"}}, {{celsius "battery_celsius"}}) could take it.`,
				`measured, with the sun computed for the place.`,
				`a breaker or fuse between charger and battery, the charger itself, or the battery's protection.`,
				`the battery runs down{{if known "no_sun_hours"}}: dark about {{clock "no_sun_hours"}}{{end}}.`),
			Advice: []string{
				`Look at the fuse and breaker to the battery and at what the charger shows. Bring fuses, a meter and a known good battery.`, caution,
			},
		}},
		Clear: MustExpr(charging + " or battery_full == 1"), ClearFor: 10 * time.Minute,
	}
}
