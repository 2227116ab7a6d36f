package alert

import (
	"fmt"
	"strings"
	"time"
)

// suspects are the quantities that can be doubted, with the words for people and what to look
// at first. The causes are those that installers meet most: common practice.
func suspects() []struct{ quantity, words, check string } {
	const scale = `whether the scale in its register map is right`
	return []struct{ quantity, words, check string }{
		{"battery_volts", "the battery's voltage", scale + `, and hold a meter to the posts`},
		{"battery_amps", "the battery's current", `which way round the shunt or the clamp sits, ` + scale + `, and the two thin wires of the shunt`},
		{"battery_celsius", "the battery's temperature", `the probe and its plug`},
		{"pv_volts", "the panel's voltage", scale},
		{"pv_amps", "the panel's current", scale},
		{"pv_watts", "the panel's power", scale},
		{"charge_amps", "the charging current", scale},
		{"load_volts", "the load's voltage", scale},
		{"load_amps", "the load's current", scale + `, and whether it is one of two registers that look alike`},
		{"load_watts", "the load's power", scale},
		{"air_celsius", "the air temperature", `the probe and its plug`},
		{"controller_celsius", "the controller's temperature", `its register map`},
		{"controller_soc", "the controller's charge", `its register map`},
	}
}

// readingDoubted waits for some polls: one odd answer is no reason to send anybody out.
func readingDoubted() Rule {
	var what strings.Builder
	var advice []string
	for _, s := range suspects() {
		fact := fmt.Sprintf(`reading_doubtful/%s/*`, s.quantity)
		fmt.Fprintf(&what, ` {{if gt (fact %q) 0.0}}%s;{{end}}`, fact, s.words)
		advice = append(advice, fmt.Sprintf(`{{if gt (fact %q) 0.0}}For %s check %s.{{end}}`, fact, s.words, s.check))
	}
	advice = append(advice,
		`The page of {{site}} shows each doubted value struck, with what speaks against it. Where everything of {{of}} stands still, power it down and up again.`,
		`Put the register map to the proof: ebbwatch survey --kick {{of}}. `+
			`Work on live wiring only if you may: direct current arcs do not go out by themselves, and panels are live in light.`)
	return Rule{
		Name: "reading_doubted", Summary: "an instrument contradicts others", Each: "source", After: []string{"source_silent"},
		Rungs: []Rung{{
			Severity: Warning, For: 5 * time.Minute, When: MustExpr("source_doubtful/* >= 1"),
			Title: `{{site}}: {{of}} contradicts the others`,
			Text: body(
				`What {{of}} says at {{site}} cannot be true together with the rest. Doubted now:`+what.String(),
				`the values contradict each other; which one is wrong is judged by what most speaks against.`,
				`a wrong scale or sign in the register map, a sensor the wrong way round, or an instrument that has stopped measuring.`,
				`the doubted values are left out of the charge and the outlook, which grow less sure.`),
			Advice: advice,
		}},
		Clear: MustExpr("source_doubtful/* == 0"), ClearFor: time.Hour,
	}
}

// placeDoubted is one message for all that a wrong sign of the latitude, a longitude of elsewhere
// or a wrong clock brings. Nothing that hangs on the sun is said while it lasts.
func placeDoubted() Rule {
	return Rule{
		Name: "place_doubted", Summary: "the light does not fit the place",
		Rungs: []Rung{{
			Severity: Warning, For: 10 * time.Minute, When: MustExpr("place_doubted > 0"),
			Title: `{{site}}: its light does not fit its place or clock`,
			Text: body(
				`The panel of {{site}} gave power in what is night at its latitude, longitude and clock, or nothing under what is a high sun there`+
					`{{if known "light_late_hours"}}; the middle of its light lies {{printf "%+.1f" (fact "light_late_hours")}} hours from the computed noon{{end}}.`,
				`measured over at least an hour, or on two days.`,
				`a wrong sign or a slip in latitude or longitude, or a clock that is wrong by hours; else a meter of the panel that stands still, or another charger on its input.`,
				`no outlook is given, and nothing is said of the panel, because both would be wrong.`),
			Advice: []string{
				`{{if not (known "light_late_hours")}}Look at the latitude (south is negative), the longitude (west is negative) and the clock.` +
					`{{else if or (ge (fact "light_late_hours") 1.5) (le (fact "light_late_hours") -1.5)}}Look at the longitude (west is negative) and at the clock first.` +
					`{{else}}Look at the latitude first: south is negative. The length of the day does not fit.{{end}}`,
				`Correct the configuration under site and start again: what is kept of the battery stays.`,
			},
		}},
		Clear: MustExpr("place_doubted == 0"), ClearFor: 10 * time.Minute,
	}
}
