package alert

import "time"

// The pieces that the texts about power share.
const (
	whyLow = `the battery is at {{percent "battery_soc"}}` +
		`{{if and (known "battery_soc_low") (known "battery_soc_high")}} (between {{percent "battery_soc_low"}} and {{percent "battery_soc_high"}}){{end}}` +
		`{{if known "load_watts"}}, the load takes {{watts "load_watts"}}{{end}}` +
		`{{if gt (fact "hours_since_full") 36.0}}, and it was last full {{hours "hours_since_full"}} ago{{end}}.`
	darkUntil = `{{if known "dark_hours"}}dark for about {{hours "dark_hours"}}{{else}}dark until the sun has charged the battery{{end}}` +
		// Of the futures that go dark the early ones may be back before the middle one goes.
		`{{if and (known "back_hours") (gt (fact "back_hours") (fact "cutoff_hours_p50"))}}; back by itself about {{clock "back_hours"}}{{end}}.`
)

// powerAdvice is what works against a battery that runs low.
func powerAdvice() []string {
	return []string{
		`{{if and (known "advice_shed_from_hour") (known "advice_shed_to_hour")}}{{if gt (fact "advice_shed_to_hour") 23.5}}From now on, switch off what can wait, day and night{{else}}` +
			`From tonight, switch off what can wait from {{oclock "advice_shed_from_hour"}} to {{oclock "advice_shed_to_hour"}}{{end}}` +
			`{{if known "advice_shed_chance_after"}}: the chance of going dark falls to {{chance "advice_shed_chance_after"}}{{end}}.{{end}}`,
		`{{if known "advice_topup_wh"}}Bring {{number "advice_topup_wh"}} Wh of charge{{if gt (fact "act_by_hours") 0.25}}, leaving by {{clock "act_by_hours"}}{{end}}` +
			`{{if known "advice_topup_chance_after"}}: the chance of going dark falls to {{chance "advice_topup_chance_after"}}{{end}}.{{end}}`,
		`{{if known "advice_clean_hours"}}Clear the panel of snow or dirt: worth about {{hours "advice_clean_hours"}} of running.{{end}}`,
		`{{if not (or (known "advice_shed_from_hour") (known "advice_topup_wh") (known "advice_clean_hours"))}}` +
			`Switch off early what can wait; every hour off counts. Do not travel in dangerous weather for this.{{end}}`,
	}
}

func cutoffText() string {
	return body(
		`{{site}} {{if gt (fact "cutoff_within_120h") 0.5}}is expected to{{else}}may{{end}} go dark {{window "cutoff_hours_p10" "cutoff_hours_p90"}}`+
			`{{if known "cutoff_hours_p50"}}, most likely about {{clock "cutoff_hours_p50"}}{{end}}.`+
			`{{if gt (fact "act_by_hours") 0.25}} To be there in time, leave by {{clock "act_by_hours"}}.`+
			`{{else if known "act_by_hours"}} There may be no time left to get there before.{{end}}`,
		`{{chance "cutoff_within_72h"}} within three days, {{chance "cutoff_within_120h"}} within five.`,
		whyLow, darkUntil)
}

// cutoffAhead is the ladder: a note on the page, a heads-up, the time to act, and the last
// words before the link dies with the node.
func cutoffAhead() Rule {
	rung := func(name string, severity Severity, dwell time.Duration, when, title string) Rung {
		return Rung{Name: name, Severity: severity, For: dwell, When: MustExpr(when), Title: title, Text: cutoffText(), Advice: powerAdvice()}
	}
	r := Rule{
		Name: "cutoff_ahead", Summary: "it may go dark soon",
		Rungs: []Rung{
			rung("note", Info, time.Hour, "cutoff_within_120h >= 0.2", `{{site}}: may go dark within five days`),
			rung("heads-up", Warning, 30*time.Minute, "cutoff_within_120h >= warn_chance or cutoff_within_72h >= 0.9 * warn_chance",
				`{{site}}: may go dark {{clock "cutoff_hours_p10"}} or later`),
			rung("act by", Critical, 30*time.Minute, "cutoff_within_72h >= 0.5 or cutoff_within_48h >= 0.3",
				`{{site}}: act {{if gt (fact "act_by_hours") 0.25}}by {{clock "act_by_hours"}}{{else}}now{{end}} or it may go dark`),
			rung("last words", Critical, time.Minute, "cutoff_within_24h >= 0.5 and cutoff_hours_p50 < 6 and not (known(load_dark) and load_dark > 0)",
				`{{site}}: going dark about {{clock "cutoff_hours_p50"}}`),
		},
		Clear: MustExpr("cutoff_within_120h < min(0.125, 0.5 * warn_chance)"), ClearFor: 2 * time.Hour,
		// In the dark there is nothing to foresee: the fact is not known then.
		Watch: Watch{Fact: "cutoff_ahead_hours", Moment: true, By: 12, Every: 12 * time.Hour},
		Over: `Why: the battery was at {{percent (told "battery_soc")}} when this began and is at {{percent "battery_soc"}} now; ` +
			`the chance of going dark within five days was {{chance (told "cutoff_within_120h")}} and is {{chance "cutoff_within_120h"}}.`,
	}
	r.Rungs[0].PageOnly = true
	r.Rungs[2].Escalate = true
	r.Rungs[3].AnyHour = true
	return r
}

func reserveAhead() Rule {
	return Rule{
		Name: "reserve_ahead", Summary: "the battery may fall below its reserve", After: []string{"cutoff_ahead"},
		Rungs: []Rung{{
			Severity: Warning, For: 30 * time.Minute, When: MustExpr("reserve_within_48h >= 0.5"),
			Title: `{{site}}: battery low about {{clock "reserve_hours_p50"}}`,
			Text: body(
				`The battery of {{site}} is expected to fall below its reserve {{window "reserve_hours_p10" "reserve_hours_p90"}}`+
					`{{if known "reserve_hours_p50"}}, most likely about {{clock "reserve_hours_p50"}}{{end}}.`,
				`{{chance "reserve_within_48h"}} within two days. Going dark within five days: {{chance "cutoff_within_120h"}}.`,
				whyLow, `it runs on, with little left for the next grey days.`),
			Advice: powerAdvice(),
		}},
		Clear: MustExpr("reserve_within_72h < 0.2"), ClearFor: time.Hour,
		Watch: Watch{Fact: "reserve_hours_p50", Moment: true, By: 12, Every: 12 * time.Hour},
		Over:  `Why: the battery was at {{percent (told "battery_soc")}} when this began and is at {{percent "battery_soc"}} now.`,
	}
}
