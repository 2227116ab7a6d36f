package alert

import "time"

// The pieces that the texts about power share. The numbers of one text are of one moment and
// one set of futures: those that go dark within a week.
const (
	whyLow = `the battery is at {{percent "battery_soc"}}` +
		`{{if and (known "battery_soc_low") (known "battery_soc_high")}} (between {{percent "battery_soc_low"}} and {{percent "battery_soc_high"}}){{end}}` +
		`{{if known "load_watts"}}, the load takes {{watts "load_watts"}}{{end}}` +
		`{{if gt (fact "hours_since_full") 36.0}}, and it was last full {{hours "hours_since_full"}} ago{{end}}.`
	darkUntil = `{{if not (or (known "dark_from_hours") (` + isDark + `))}}it goes on as the sun allows{{else if known "dark_lasts_hours"}}dark for about {{hours "dark_lasts_hours"}}` +
		`{{if known "dark_back_hours"}}; back by itself about {{clock "dark_back_hours"}}{{end}}` +
		`{{else}}dark until the sun has charged the battery, which within ten days is not likely{{end}}.`
	belowReserve = `and (known "reserve_hours_p50") (lt (fact "reserve_hours_p50") 0.25)`
	isDark       = `gt (fact "load_dark") 0.0`
	goSafe       = `Go by daylight and in safe weather only, and tell somebody. ` + caution
)

// tooCold is the battery that must not be charged, by what makers of LiFePO4 cells say, with
// a degree for the probe.
const tooCold = `and (known "battery_celsius") (lt (fact "battery_celsius") 1.0)`

// The actions that the advice speaks of, where they help.
const (
	shedHelps  = `and (known "advice_shed_from_hour") (known "advice_shed_to_hour") (helps "advice_chance_before" "advice_shed_chance_after")`
	topUpHelps = `and (known "advice_topup_wh") (helps "advice_chance_before" "advice_topup_chance_after")`
)

// powerAdvice is what works against a battery that runs low.
func powerAdvice() []string {
	return []string{
		`{{if ` + shedHelps + `}}{{if gt (fact "advice_shed_to_hour") 23.5}}From now on, switch off what can wait, day and night{{else}}` +
			`From tonight, switch off what can wait from {{oclock "advice_shed_from_hour"}} to {{oclock "advice_shed_to_hour"}}{{end}}` +
			`{{with falls "advice_chance_before" "advice_shed_chance_after"}}: with half of the load off, {{.}}{{end}}.{{end}}`,
		`{{if ` + topUpHelps + `}}{{if ` + tooCold + `}}The battery is at {{celsius "battery_celsius"}} and must not be charged below 0 °C: bring a charged battery that feeds the load itself{{else}}` +
			`Bring {{number "advice_topup_wh"}} Wh of charge{{end}}{{if gt (fact "in_time") 0.0}}, leaving by {{clock "act_by_hours"}}{{end}}` +
			`{{with falls "advice_chance_before" "advice_topup_chance_after"}}: {{.}}{{end}}.{{end}}`,
		`{{if known "advice_clean_hours"}}Clear the panel of snow or dirt: worth about {{hours "advice_clean_hours"}} of running.{{end}}`,
		`{{if not (or (` + shedHelps + `) (` + topUpHelps + `) (known "advice_clean_hours"))}}` +
			`Switch off early what can wait; every hour off counts.{{end}}`,
		`{{if or (` + topUpHelps + `) (known "advice_clean_hours")}}` + goSafe + `{{end}}`,
	}
}

func cutoffText() string {
	return body(
		`{{if `+isDark+`}}{{site}} is dark: its load is off.{{else if not (known "dark_from_hours")}}{{site}} may still go dark.{{else}}`+
			`{{site}} {{if gt (fact "cutoff_within_168h") 0.5}}is expected to{{else}}may{{end}} go dark, most likely {{window "dark_from_hours" "dark_to_hours"}}.`+
			`{{if gt (fact "in_time") 0.0}} To be there in time, leave by {{clock "act_by_hours"}}.`+
			`{{else if known "in_time"}} It is too late to be there in time by daylight.{{end}}{{end}}`,
		`{{if `+isDark+`}}certain, as of the last readings.{{else}}{{chance "cutoff_within_168h"}} within a week`+
			`{{if known "dark_early_hours"}}; it may come as early as {{clock "dark_early_hours"}}{{end}}.{{end}}`,
		whyLow, darkUntil)
}

// cutoffAhead is the ladder: a note on the page, a heads-up, the time to act, and the last
// words before the link dies with the node.
func cutoffAhead() Rule {
	rung := func(name string, severity Severity, dwell time.Duration, when, title string) Rung {
		return Rung{Name: name, Severity: severity, For: dwell, When: MustExpr(when), Title: title, Text: cutoffText(), Advice: powerAdvice()}
	}
	r := Rule{
		Name: "cutoff_ahead", Summary: "it may go dark soon", After: []string{"blind"},
		Rungs: []Rung{
			rung("note", Info, time.Hour, "cutoff_within_120h >= 0.2", `{{site}}: may go dark within a week`),
			rung("heads-up", Warning, 30*time.Minute, "cutoff_within_120h >= warn_chance or cutoff_within_72h >= 0.9 * warn_chance",
				`{{site}}: {{if `+isDark+`}}dark{{else}}may go dark {{clock "dark_early_hours"}} or later{{end}}`),
			rung("act by", Critical, 30*time.Minute, "cutoff_within_72h >= 0.5 or cutoff_within_48h >= 0.3",
				`{{site}}: {{if `+isDark+`}}dark{{else if gt (fact "in_time") 0.0}}act by {{clock "act_by_hours"}} or it may go dark{{else}}may go dark {{clock "dark_early_hours"}} or later{{end}}`),
			rung("last words", Critical, time.Minute, "cutoff_within_24h >= 0.5 and cutoff_hours_p50 < 6 and not (known(load_dark) and load_dark > 0)",
				`{{site}}: going dark about {{clock "dark_from_hours"}}`),
		},
		Clear: MustExpr("cutoff_within_120h < min(0.125, 0.5 * warn_chance)"), ClearFor: 2 * time.Hour,
		// Its reader would act otherwise only where the time to leave came nearer; in the dark there
		// is nothing to prevent, and the fact is not known.
		Watch: Watch{Fact: "act_ahead_hours", Moment: true, Sooner: true, By: 12, Every: 12 * time.Hour},
		Over: `Why: when this was first told, {{first}}, the battery was at {{percent (told "battery_soc")}}; it is at {{percent "battery_soc"}} now. ` +
			`The chance of going dark within a week was {{chance (told "cutoff_within_168h")}} and is {{chance "cutoff_within_168h"}}.`,
	}
	r.Rungs[0].PageOnly = true
	r.Rungs[2].Escalate = true
	r.Rungs[3].AnyHour = true
	return r
}

// back ends an outage: whoever was told that it would go dark waits for this word.
func back() Rule {
	const empty = `gt (fact "outage_of_empty_battery") 0.0`
	return Rule{
		Name: "back", Summary: "it is back after an outage", Once: true,
		Rungs: []Rung{{
			Severity: Warning, For: 10 * time.Minute, When: MustExpr("back_hours_ago < 24 and outage_hours >= 3"),
			Title: `{{site}}: back, {{if ` + empty + `}}dark{{else}}silent{{end}} for {{hours "outage_hours"}}`,
			Text: body(
				`{{site}} is back since {{ago "back_hours_ago"}}. It was {{if `+empty+`}}dark{{else}}silent{{end}} for {{hours "outage_hours"}}. `+
					`Its battery is at {{percent "battery_soc"}}{{if known "battery_soc_low"}} (between {{percent "battery_soc_low"}} and {{percent "battery_soc_high"}}){{end}}.`,
				`it runs and its load is fed; how long that was is known to half an hour.`+
					`{{if known "outage_said_chance"}} Before it, going dark within three days was {{chance "outage_said_chance"}}.{{end}}`,
				`{{if `+empty+`}}the battery was empty; the sun has charged it.{{else}}the battery was not empty when it was last seen: `+
					`think of a fuse, a breaker, the battery's own protection, the board, or somebody who switched it off.{{end}}`,
				`{{if gt (fact "cutoff_within_168h") 0.2}}it may go dark again: {{chance "cutoff_within_168h"}} within a week.{{else}}it runs on.{{end}}`),
			Advice: []string{
				`{{if ` + empty + `}}Nothing is to be done today. If it happens every winter, a larger battery or panel, or less load, is the mend: see ebbwatch plan.{{else}}` +
					`Ask whether somebody switched it off; else look at fuses, plugs and breakers on your next visit. ` + caution + `{{end}}`,
			},
		}},
		Clear: MustExpr("back_hours_ago > 24"),
		Watch: Watch{Fact: "outages", By: 1, Every: time.Minute},
	}
}

func reserveAhead() Rule {
	return Rule{
		Name: "reserve_ahead", Summary: "the battery may fall below its reserve", After: []string{"blind", "cutoff_ahead"},
		Rungs: []Rung{{
			Severity: Warning, For: 30 * time.Minute, When: MustExpr("reserve_within_48h >= 0.5"),
			Title: `{{site}}: battery low {{if ` + belowReserve + `}}now{{else if known "reserve_hours_p50"}}about {{clock "reserve_hours_p50"}}{{else}}ahead{{end}}`,
			Text: body(
				`{{if `+belowReserve+`}}The battery of {{site}} is at its reserve.{{else if not (known "reserve_hours_p50")}}The battery of {{site}} may fall below its reserve.{{else}}The battery of {{site}} is expected to fall below its reserve about {{clock "reserve_hours_p50"}}, hardly before {{clock "reserve_hours_p10"}}.{{end}}`,
				`{{chance "reserve_within_48h"}} within two days. Going dark within a week: {{chance "cutoff_within_168h"}}.`,
				whyLow, `it runs on, with little left for the next grey days.`),
			Advice: powerAdvice(),
		}},
		Clear: MustExpr("reserve_within_72h < 0.2"), ClearFor: time.Hour,
		Watch: Watch{Fact: "reserve_hours_p50", Moment: true, Sooner: true, By: 12, Every: 12 * time.Hour},
		Over:  `Why: when this was first told, {{first}}, the battery was at {{percent (told "battery_soc")}}; it is at {{percent "battery_soc"}} now.`,
	}
}
