package alert

import "time"

// loadCreep is raised only when the growth would still be there a month later: it has lasted a week,
// and is larger than busy weeks make it. On 40 simulated years without creep that was once.
func loadCreep() Rule {
	return Rule{
		Name: "load_creep", Summary: "the load has grown",
		Rungs: []Rung{{
			Severity: Warning, For: 7 * 24 * time.Hour, When: MustExpr("load_creep_ratio >= 0.08 and load_creep_ratio - 2 * load_creep_ratio_sd >= 0.03"),
			Title: `{{site}}: load up by {{percent "load_creep_ratio"}}`,
			Text: body(
				`The load of {{site}} at night has been {{percent "load_creep_ratio"}} above its usual for more than a week{{if known "load_watts"}}; now it is {{watts "load_watts"}}{{end}}.`,
				`measured against the month before{{if known "load_creep_ratio_sd"}}, give or take {{percent "load_creep_ratio_sd"}} by how much days differ{{end}}.`,
				`a new device, one that no longer sleeps, or a fault that draws current.`,
				`the battery lasts shorter by about the same share, and grey weeks end dark sooner.`),
			Advice: []string{
				`Ask who added something. Switch loads off one by one for a night each, and see which one it is.`,
			},
		}},
		Clear: MustExpr("load_creep_ratio < 0.03"), ClearFor: 24 * time.Hour,
	}
}

func loadUnmetered() Rule {
	return Rule{
		Name: "load_unmetered", Summary: "something draws power past the meters",
		Rungs: []Rung{{
			Severity: Info, For: time.Hour, When: MustExpr("ghost_found > 0"),
			Title: `{{site}}: {{watts "unmetered_watts"}} drawn past the meters`,
			Text: body(
				`About {{watts "unmetered_watts"}} leave the battery of {{site}} without being measured.`,
				`{{if known "unmetered_watts_sd"}}give or take {{watts "unmetered_watts_sd"}}, {{end}}worked out from how fast the battery falls.`,
				`something is wired to the battery itself, or the current sensor reads wrong.`,
				`it is counted into the outlook already; but who does not know of it cannot switch it off.`),
			Advice: []string{
				`On your next visit, follow each wire from the battery and note what does not pass the meter.`,
				`To tell a load from an error of the sensor, leave the load output off for an hour after dark.`, caution,
			},
		}},
		Clear: MustExpr("ghost_found < 1"), ClearFor: time.Hour,
	}
}

func batteryReplaced() Rule {
	return Rule{
		Name: "battery_replaced", Summary: "this looks like another battery",
		Rungs: []Rung{{
			Severity: Info, When: MustExpr("battery_replaced > 0"),
			Title: `{{site}}: was the battery replaced?`,
			Text: body(
				`The voltage at {{site}} does not fit the battery of yesterday.`,
				`judged from the voltage alone.`,
				`the battery was replaced or charged by hand, or the voltage is read wrong.`,
				`the charge is counted anew from the voltage, and is not sure until the battery is full once.`),
			Advice: []string{`If you did replace it, say so: ebbwatch silence --new-battery. What was learned of the old one is then forgotten.`},
		}},
		Clear: MustExpr("battery_replaced < 1"), ClearFor: time.Hour,
	}
}

func notFull() Rule {
	text := body(
		`The battery of {{site}} was last full {{hours "hours_since_full"}} ago.`,
		`counted since the last time that it was truly full. What it holds is known less well by now: `+
			`between {{percent "battery_soc_low"}} and {{percent "battery_soc_high"}}.`,
		`the sun gives no more than the load takes.`,
		`its cells drift apart, since they are balanced only when full, and the numbers here grow less sure.`)
	advice := []string{`Plan one sunny day with little load: switch off what can wait from morning until it is full.`}
	return Rule{
		Name: "not_full", Summary: "the battery has not been full for long", After: []string{"blind", "cutoff_ahead"},
		Rungs: []Rung{
			{Name: "a week", Severity: Info, PageOnly: true, For: time.Hour, When: MustExpr("hours_since_full > 168"),
				Title: `{{site}}: not full for {{hours "hours_since_full"}}`, Text: text, Advice: advice},
			{Name: "two weeks", Severity: Info, For: time.Hour, When: MustExpr("hours_since_full > 336"),
				Title: `{{site}}: not full for {{hours "hours_since_full"}}`, Text: text, Advice: advice},
		},
		Clear: MustExpr("hours_since_full < 24"), ClearFor: 0,
	}
}

// beliefDisagrees leaves room of ten points beside the band: most controllers tell the
// charge from the voltage, which says little for LiFePO4. For two days after a full the count
// is right, whatever the controller says, and there is nothing to be done about it.
func beliefDisagrees() Rule {
	return Rule{
		Name: "belief_disagrees", Summary: "opinions on the charge differ",
		Rungs: []Rung{{
			Severity: Info, For: 24 * time.Hour,
			When: MustExpr("(controller_soc > battery_soc_high + 0.1 or controller_soc < battery_soc_low - 0.1)" +
				" and not (known(hours_since_full) and hours_since_full < 48)"),
			Title: `{{site}}: two opinions on the charge`,
			Text: body(
				`The controller of {{site}} says {{percent "controller_soc"}}; counted here it is {{percent "battery_soc"}} (between {{percent "battery_soc_low"}} and {{percent "battery_soc_high"}}).`,
				`they have differed for a day.`,
				`the battery was {{if known "hours_since_full"}}last full {{hours "hours_since_full"}} ago{{else}}never seen full{{end}}, so both can be wrong.`,
				`warnings here go by the count, not by the controller.`),
			Advice: []string{`Let the battery become truly full once: after that the count is right. If they differ again within days, look at the current sensor.`},
		}},
		Clear: MustExpr("controller_soc <= battery_soc_high + 0.05 and controller_soc >= battery_soc_low - 0.05 or hours_since_full < 48"), ClearFor: time.Hour,
		Over: `{{if lt (fact "hours_since_full") 48.0}}The battery was full {{hours "hours_since_full"}} ago: the count is right, whatever the controller says.{{end}}`,
	}
}

// capacityFading warns where batteries are commonly planned to be replaced: at 70 to 80 %.
func capacityFading() Rule {
	return Rule{
		Name: "capacity_fading", Summary: "the battery has lost capacity",
		Rungs: []Rung{{
			Severity: Warning, For: 72 * time.Hour, When: MustExpr("health_ratio + 2 * health_ratio_sd < 0.8" +
				" or not known(health_ratio_sd) and health_ratio < 0.75"),
			Title: `{{site}}: battery down to {{percent "health_ratio"}} of its label`,
			Text: body(
				`The battery of {{site}} holds about {{percent "health_ratio"}} of what its label says.`,
				`measured between full and empty{{if known "health_ratio_sd"}}, give or take {{percent "health_ratio_sd"}}{{end}}.`,
				`age, heat, or one weak cell.`,
				`it goes dark after shorter grey spells; the warnings here count with what it really holds.`),
			Advice: []string{`Plan a new battery before next winter, and look whether one cell differs from the others.`, caution},
		}},
		Clear: MustExpr("health_ratio > 0.85"), ClearFor: 72 * time.Hour,
	}
}
