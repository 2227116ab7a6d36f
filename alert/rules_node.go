package alert

import "time"

// blind is one message, and then quiet: what would be told of the power meanwhile is counted
// on, not seen, and wears a new date every day. It waits for as long as a lost plug takes to
// be put back.
func blind() Rule {
	text := body(
		`{{site}} does not see its battery any more{{with say "knowledge"}}: {{.}}{{end}}.`,
		`certain. When it was last read, the charge was between {{percent "sure_soc_low"}} and {{percent "sure_soc_high"}}.`,
		`a loose plug, a lost supply, or the instrument itself. The node is up, or this would not have come.`,
		`nobody is warned of the dark{{if gt (fact "no_sun_hours") 1.0}}: without any sun it would come about {{clock "no_sun_hours"}}{{end}}. `+
			`Until it sees again, nothing more is sent about the power.`)
	advice := []string{`Look at the plug and the supply of the instrument; bring a spare cable and a meter.`, goSafe}
	rung := func(name string, severity Severity, when string) Rung {
		return Rung{Name: name, Severity: severity, For: 10 * time.Minute, When: MustExpr(when), Title: `{{site}}: it does not see its battery`, Text: text, Advice: advice}
	}
	return Rule{
		Name: "blind", Summary: "nothing tells of the battery",
		Rungs: []Rung{
			rung("with charge", Warning, "blind == 1"),
			rung("with little charge", Critical, "blind == 1 and sure_soc_low < 0.35"),
		},
		Clear: MustExpr("blind == 0"), ClearFor: 10 * time.Minute,
		Over: `The charge is between {{percent "battery_soc_low"}} and {{percent "battery_soc_high"}} now.`,
	}
}

func sourceSilent() Rule {
	const tooOld = "source_age_seconds/* > max(300, 5 * source_every_seconds/*)"
	return Rule{
		Name: "source_silent", Summary: "an instrument does not answer", Each: "source", After: []string{"blind"},
		Rungs: []Rung{{
			Severity: Warning, For: 5 * time.Minute,
			When:  MustExpr(tooOld + " or not known(source_age_seconds/*) and source_up/* == 0"),
			Title: `{{site}}: {{of}} does not answer`,
			Text: body(
				`The instrument {{of}} at {{site}} has not answered {{if known "source_age_seconds/*"}}for {{seconds "source_age_seconds/*"}}{{else}}since the start{{end}}.`,
				`certain; it is asked again and again.`,
				`a loose plug, a lost supply, or the instrument itself. The node is up, or this would not have come.`,
				`{{if say "lost"}}until it answers, nothing tells of {{say "lost"}}, and the outlook grows less sure by the hour.{{else}}what only it measures stays unknown.{{end}}`+
					`{{if known "battery_soc_low"}} The charge is between {{percent "battery_soc_low"}} and {{percent "battery_soc_high"}} now.{{end}}`),
			Advice: []string{`Look at the plug and the supply of {{of}} on your next visit; bring a spare cable.`, caution},
		}},
		Clear: MustExpr("source_up/* == 1 and not (" + tooOld + ")"), ClearFor: 2 * time.Minute,
	}
}

// noticesRefused goes out by the channels that work; the one it is about turns it down too.
func noticesRefused() Rule {
	return Rule{
		Name: "notices_refused", Summary: "a channel turns notices down", Each: "channel",
		Rungs: []Rung{{
			Severity: Warning, For: 2 * time.Minute, When: MustExpr("notices_refused/* > 0"),
			Title: `{{site}}: {{of}} turns notices down`,
			Text: body(
				`The channel {{of}} of {{site}} was reached and did not take what it was sent: {{number "notices_refused/*"}} waiting, since {{since}}.`,
				`certain; they are tried again for a week.`,
				`an address or key that was changed, a receiver that restarts, or a template that it does not understand.`,
				`whoever is told by {{of}} hears nothing of {{site}}.`),
			Advice: []string{
				`The page of {{site}} shows the answer. Mend the channel, and prove it: ebbwatch check --send-test.`,
				`Until then, tell whoever relies on {{of}} what you hear here.`,
			},
		}},
		Clear: MustExpr("notices_refused/* == 0"), ClearFor: 0,
	}
}

// peerLost waits for longer than a radio listens after it met radar on its channel: up to
// ten minutes (EN 301 893).
func peerLost() Rule {
	return Rule{
		Name: "peer_lost", Summary: "a neighbour is out of reach", Each: "peer", After: []string{"source_silent"},
		Rungs: []Rung{{
			Severity: Warning, For: 15 * time.Minute, When: MustExpr("peer_up/* == 0"),
			Title: `{{site}}: {{of}} is out of reach`,
			Text: body(
				`{{of}} has not answered {{site}} for at least a quarter of an hour, as of {{since}}.`,
				`certain; a radio that changes its channel would be back within ten minutes.`,
				`{{of}} lost its power, or the way to it is broken. From here that cannot be told apart.`,
				`what runs behind {{of}} stays cut off from here.`),
			Advice: []string{
				`See whether {{of}} was expected to go dark, and whether others still hear it.`,
				`After wind or wet, look at the aerial and its cable. Do not climb alone, nor in ice or wind.`,
			},
		}},
		Clear: MustExpr("peer_up/* == 1"), ClearFor: 5 * time.Minute,
	}
}

func pathDegrading() Rule {
	return Rule{
		Name: "path_degrading", Summary: "the link to a neighbour is poor", Each: "peer", After: []string{"source_silent", "peer_lost"},
		Rungs: []Rung{{
			Severity: Warning, For: 3 * time.Hour, When: MustExpr("peer_loss_ratio/* > 5% and peer_up/* == 1"),
			Title: `{{site}}: poor link to {{of}} ({{percent "peer_loss_ratio/*"}} lost)`,
			Text: body(
				`On the way from {{site}} to {{of}}, {{percent "peer_loss_ratio/*"}} of what is sent has been lost for three hours.`,
				`measured{{if known "peer_rtt_seconds/*"}}; there and back takes {{millis "peer_rtt_seconds/*"}}{{end}}.`,
				`leaves or rain in the way, a wet connector, an aerial that moved, or another radio on the channel.`,
				`it may break when the weather gets worse.`),
			Advice: []string{`Compare with the weather and the hour of the day; on your next visit look at aerial, connectors and growth. Do not climb alone, nor in ice or wind.`},
		}},
		Clear: MustExpr("peer_loss_ratio/* < 2%"), ClearFor: 3 * time.Hour,
	}
}

func clockUntrusted() Rule {
	return Rule{
		Name: "clock_untrusted", Summary: "the clock may be wrong",
		Rungs: []Rung{{
			Severity: Info, For: time.Hour, AnyHour: true, When: MustExpr("clock_trusted == 0"),
			Title: `{{site}}: the clock may be wrong`,
			Text: body(
				`The clock of {{site}} has not been set since the node started{{if known "uptime_seconds"}} {{seconds "uptime_seconds"}} ago{{end}}.`,
				`certain; whether the clock is wrong nobody here can say.`,
				`the board has no clock of its own, or no time server answers.`,
				`spans are right, the times of day in messages may be wrong, and the sun cannot be computed.`),
			Advice: []string{`Let the node reach a time server, through the link or at the gateway; or fit a clock module.`},
		}},
		Clear: MustExpr("clock_trusted == 1"), ClearFor: time.Minute,
	}
}

func diskNearlyFull() Rule {
	return Rule{
		Name: "disk_nearly_full", Summary: "the disk is nearly full",
		Rungs: []Rung{{
			Severity: Warning, For: 10 * time.Minute, When: MustExpr("disk_free_ratio < 5%"),
			Title: `{{site}}: disk nearly full ({{percent "disk_free_ratio"}} free)`,
			Text: body(
				`The disk of {{site}} has {{percent "disk_free_ratio"}} left.`,
				`measured.`,
				`something on the node writes more than is cleared away.`,
				`the history stops and what must survive a power cut can no longer be kept.`),
			Advice: []string{`Delete what is not needed, such as old logs.`},
		}},
		Clear: MustExpr("disk_free_ratio > 8%"), ClearFor: 10 * time.Minute,
	}
}

func nothingKept() Rule {
	return Rule{
		Name: "nothing_kept", Summary: "nothing can be kept on the card",
		Rungs: []Rung{{
			Severity: Warning, For: time.Minute, When: MustExpr("state_kept == 0 or record_kept == 0"),
			Title: `{{site}}: the card cannot be written`,
			Text: body(
				`{{site}} watches on, and keeps what it learns in memory alone.`,
				`certain; it is tried again all the time.`,
				`the card or disk is read-only, full, worn out or away.`,
				`a power cut forgets all since it could last be written, and a warning that is under way may come twice.`),
			Advice: []string{`Look at the page of the node, which names the file and the error.`, `Take a new card along: most that fail turn read-only first. Switch the node off before the card is changed.`},
		}},
		Clear: MustExpr("state_kept == 1 and record_kept == 1"), ClearFor: time.Minute,
	}
}

func samplesRefused() Rule {
	return Rule{
		Name: "samples_refused", Summary: "a server refuses samples",
		Rungs: []Rung{{
			Severity: Info, When: MustExpr("remote_write_refused_total > 0 and remote_write_since_refusal_seconds < 3600"),
			Title: `{{site}}: samples are refused`,
			Text: body(
				`The server of remote write would not have {{number "remote_write_refused_total"}} samples of {{site}}.`,
				`certain: it took all others, and refused these one by one.`,
				`they are older than the server takes, or the same moment was sent with another value.`,
				`they are missing in the dashboard; the node's own record has them.`),
			Advice: []string{`The log of the node names the series and the server's answer.`},
		}},
		Clear: MustExpr("remote_write_refused_total == 0 or remote_write_since_refusal_seconds > 24 * 3600"), ClearFor: 0,
	}
}

func forecastStale() Rule {
	return Rule{
		Name: "forecast_stale", Summary: "the weather forecast is old",
		Rungs: []Rung{{
			Severity: Info, For: time.Hour, When: MustExpr("forecast_age_seconds > 24 * 3600"),
			Title: `{{site}}: no new weather forecast`,
			Text: body(
				`{{site}} has had no new weather forecast for {{seconds "forecast_age_seconds"}}.`,
				`certain; it was asked for again and again.`,
				`the way to the weather service is broken, or the service itself.`,
				`the outlook goes by what is usual for the season: warnings come later and are less sure.`),
			Advice: []string{`See whether the node reaches the internet.`},
		}},
		Clear: MustExpr("forecast_age_seconds < 12 * 3600"), ClearFor: 0,
	}
}
