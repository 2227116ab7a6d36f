package alert

import "time"

// Builtin are the rules that apply without any configuration. What explains others away
// comes first.
func Builtin() []Rule {
	return []Rule{sourceSilent(), cutoffAhead(), reserveAhead()}
}

func sourceSilent() Rule {
	return Rule{
		Name: "source_silent", Summary: "an instrument does not answer", Each: "source",
		Rungs: []Rung{{
			Severity: Warning, For: 5 * time.Minute,
			When: MustExpr("source_age_seconds/* > max(300, 5 * source_every_seconds/*)" +
				" or not known(source_age_seconds/*) and source_up/* == 0"),
			Title: `{{site}}: {{of}} does not answer`,
			Text: `{{of}} at {{site}} has not answered {{if known "source_age_seconds/*"}}for {{seconds "source_age_seconds/*"}}` +
				`{{else}}since the start{{end}}.
What it measures is not known until it answers; what is said of the battery grows less sure by the hour.
It may be a loose plug, a lost fuse, or the instrument itself.
{{mute}}
As of {{now}}.`,
			Advice: []string{
				`If other sources answer, look at the wire and the supply of {{of}} on your next visit; the node itself is up.`,
			},
		}},
		Clear: MustExpr("source_up/* == 1 and source_age_seconds/* <= max(300, 5 * source_every_seconds/*)"), ClearFor: 2 * time.Minute,
	}
}

// The words that the rungs of the cut-off share.
const (
	whyLow = `Why: the battery is at {{percent "battery_soc"}}` +
		`{{if known "battery_soc_low"}} (between {{percent "battery_soc_low"}} and {{percent "battery_soc_high"}}){{end}}, ` +
		`the load takes {{watts "load_watts"}}` +
		`{{if gt (fact "hours_since_full") 36.0}}, and it was last full {{hours "hours_since_full"}} ago{{end}}.`
	ifNothing = `If nothing is done: ` +
		`{{if known "dark_hours"}}dark for about {{hours "dark_hours"}}{{if known "back_hours"}}, back by itself about {{clock "back_hours"}}{{end}}` +
		`{{else}}it comes back by itself when the sun has charged the battery{{end}}.`
	asOf = `As of {{now}}.`
)

func powerAdvice() []string {
	return []string{
		`{{if known "advice_shed_from_hour"}}Switch off what can wait from {{number "advice_shed_from_hour"}} to {{number "advice_shed_to_hour"}} h, from tonight: ` +
			`the chance falls to {{chance "advice_shed_chance_after"}}.{{end}}`,
		`{{if known "advice_topup_wh"}}Bring {{number "advice_topup_wh"}} Wh of charge{{if known "act_by_hours"}} by {{clock "act_by_hours"}}{{end}}: ` +
			`the chance falls to {{chance "advice_topup_chance_after"}}.{{end}}`,
		`{{if known "advice_clean_hours"}}Clear the panel of snow or dirt: worth about {{hours "advice_clean_hours"}}.{{end}}`,
		`{{if not (or (known "advice_shed_from_hour") (known "advice_topup_wh") (known "advice_clean_hours"))}}` +
			`Switching load off early buys the most. Do not travel in dangerous weather for this.{{end}}`,
	}
}

func cutoffAhead() Rule {
	text := `{{site}} is expected to go dark {{window "cutoff_hours_p10" "cutoff_hours_p90"}}` +
		`{{if known "cutoff_hours_p50"}}, most likely about {{clock "cutoff_hours_p50"}}{{end}}.
How sure: {{chance "cutoff_within_72h"}} within three days, {{chance "cutoff_within_120h"}} within five.
` + whyLow + "\n" + ifNothing + "\n{{mute}}\n" + asOf
	return Rule{
		Name: "cutoff_ahead", Summary: "the cut-off is ahead",
		Rungs: []Rung{
			{Name: "note", Severity: Info, PageOnly: true, For: time.Hour,
				When: MustExpr("cutoff_within_120h >= 0.2"), Title: `{{site}}: it may go dark within five days`, Text: text, Advice: powerAdvice()},
			{Name: "heads-up", Severity: Warning, For: 30 * time.Minute,
				When: MustExpr("cutoff_within_72h >= 0.3 or cutoff_within_120h >= 0.4"), Title: `{{site}}: dark {{clock "cutoff_hours_p10"}} or later, {{chance "cutoff_within_120h"}}`, Text: text, Advice: powerAdvice()},
			{Name: "act by", Severity: Critical, For: 30 * time.Minute, Escalate: true,
				When: MustExpr("cutoff_within_72h >= 0.5"), Title: `{{site}}: act now, dark about {{clock "cutoff_hours_p50"}}`, Text: text, Advice: powerAdvice()},
			{Name: "last words", Severity: Critical, For: time.Minute, AnyHour: true,
				When: MustExpr("cutoff_hours_p50 < 6"), Title: `{{site}}: going dark about {{clock "cutoff_hours_p50"}}`, Text: text, Advice: powerAdvice()},
		},
		Clear: MustExpr("cutoff_within_72h < 0.1 and cutoff_within_120h < 0.2"), ClearFor: 2 * time.Hour,
		Watch: Watch{Fact: "cutoff_hours_p50", Moment: true, By: 12, Every: 12 * time.Hour},
		Over:  `The battery is at {{percent "battery_soc"}}; the chance of a cut-off within five days is {{chance "cutoff_within_120h"}}.`,
	}
}

func reserveAhead() Rule {
	return Rule{
		Name: "reserve_ahead", Summary: "the battery will fall below its reserve", After: []string{"cutoff_ahead"},
		Rungs: []Rung{{
			Severity: Warning, For: 30 * time.Minute, When: MustExpr("reserve_within_48h >= 0.5"),
			Title: `{{site}}: battery low {{clock "reserve_hours_p50"}}, {{chance "reserve_within_48h"}}`,
			Text: `The battery of {{site}} is expected to fall below its reserve {{window "reserve_hours_p10" "reserve_hours_p90"}}` +
				`{{if known "reserve_hours_p50"}}, most likely about {{clock "reserve_hours_p50"}}{{end}}.
How sure: {{chance "reserve_within_48h"}} within two days. A cut-off within five days: {{chance "cutoff_within_120h"}}.
` + whyLow + `
If nothing is done: the node keeps running on its reserve, and has less left for the next grey day.
{{mute}}
` + asOf,
			Advice: powerAdvice(),
		}},
		Clear: MustExpr("reserve_within_72h < 0.2"), ClearFor: time.Hour,
		Watch: Watch{Fact: "reserve_hours_p50", Moment: true, By: 12, Every: 12 * time.Hour},
		Over:  `The battery is at {{percent "battery_soc"}}.`,
	}
}
