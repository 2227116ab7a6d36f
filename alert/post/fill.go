package post

import (
	"encoding/json"
	"fmt"
	"net/url"
	"strconv"
	"strings"
	"text/template"
	"time"

	"ebbwatch/alert"
)

// Fill writes a text for a notice where it is a template, and gives any other as it is. The
// helpers are json (quotes and all), query (for an address), line (one line of it) and fact
// (a number by name; nothing where the notice has none of that name). Times are local.
func Fill(text string, n alert.Notice) (string, error) {
	if !strings.Contains(text, "{{") {
		return text, nil
	}
	t, err := template.New("").Option("missingkey=error").Funcs(template.FuncMap{
		"json": asJSON, "query": url.QueryEscape, "line": line, "fact": fact,
	}).Parse(text)
	if err != nil {
		return "", fmt.Errorf("cannot be read: %s", strings.TrimPrefix(err.Error(), "template: :"))
	}
	var b strings.Builder
	if err := t.Execute(&b, n); err != nil {
		_, why, _ := strings.Cut(err.Error(), " at ")
		return "", fmt.Errorf("cannot be filled: %s; a notice has .ID .Site .Rule .Phase .Severity .At .Since .Title .Text .Advice .Foot and .Plain, and {{fact . \"name\"}}", why)
	}
	return b.String(), nil
}

func asJSON(v any) (string, error) {
	var b strings.Builder
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	err := enc.Encode(v)
	return strings.TrimSuffix(b.String(), "\n"), err
}

// line makes one line of a text, as a header needs it.
func line(text string) string { return strings.Join(strings.Fields(text), " ") }

func fact(n alert.Notice, name string) string {
	if x, known := n.Facts[name]; known {
		return strconv.FormatFloat(x, 'g', 6, 64)
	}
	return ""
}

// Samples are notices as they come in earnest: with more than one line and quotes, and the end
// of the alarm without advice or facts. What works for a short test alone fails when it counts.
func Samples() []alert.Notice {
	at := time.Date(2026, 1, 11, 13, 5, 0, 0, time.UTC)
	raised := alert.Notice{
		ID: "slipway.cutoff_ahead.20260110T110000Z.7", Site: "slipway", Rule: "cutoff_ahead", Phase: alert.Raised, Severity: alert.Critical, At: at, Since: at,
		Title: `slipway: act by Sun 16:15 or it may go "dark"`, Text: "slipway is expected to go dark.\nHow sure: \"about 2 in 3\", at -4 °C & \\ less.",
		Advice: []string{"Bring 240 Wh of charge.", "Switch off what can wait: 'all' of it."}, Foot: "As of Sun 13:05.",
		Facts: map[string]float64{"battery_soc": 0.22},
	}
	cleared := raised
	cleared.Phase, cleared.Title, cleared.Text, cleared.Advice, cleared.Foot, cleared.Facts = alert.Cleared,
		"slipway: no longer expected to go dark", "It began Sun 13:05.\nIt is over.", []string{}, "", map[string]float64{}
	return []alert.Notice{raised, cleared}
}
