package alert

import (
	"math"
	"strings"
	"testing"
	"time"
	"unicode/utf8"
)

// writer is the words of a rule at a fixed moment: Sat 10 Jan 2026, 12:00 in Amsterdam.
func writer(t *testing.T, facts map[string]float64) *words {
	d := newDrill(t, cold())
	d.facts = facts
	s := State{Elapsed: 30 * time.Hour}
	u := d.e.use(cold(), "gate", d.now, &s, d.get)
	u.t.Since, u.t.Facts = d.now.Add(-29*time.Hour), map[string]float64{"a": 1.5, "b/gate": 2}
	return &words{u: u, facts: map[string]float64{}}
}

func TestHelpersWrite(t *testing.T) {
	t.Parallel()
	facts := map[string]float64{
		"volts": 12.839, "amps": -1.66, "watts": 21.4, "cold": -3.6, "soc": 0.336, "sure": 0.66, "h": 16.2, "d": 90, "s": 40, "min": 130,
		"far": 200, "rtt": 0.0384, "ten": 22.5, "x/gate": 7, "nan": math.NaN(), "end": 18.9, "next": 30, "same": 16.25,
	}
	for text, want := range map[string]string{
		`{{volts "volts"}} {{amps "amps"}} {{watts "watts"}} {{celsius "cold"}}`:              "12.84 V -1.7 A 21 W -4 °C",
		`{{percent "soc"}} {{chance "sure"}} {{millis "rtt"}} {{number "volts"}}`:             "34 % about 2 in 3 38 ms 12.8",
		`{{hours "h"}}, {{hours "d"}}, {{seconds "s"}}, {{seconds "min"}}`:                    "16 hours, 4 days, 40 seconds, 2 minutes",
		`{{clock "h"}}, {{clock "far"}}`:                                                      "Sun 04:15, Sun 18 Jan 20:00",
		`{{window "h" "end"}}`:                                                                "Sun 04:15 to 07:00",
		`{{window "h" "next"}}`:                                                               "Sun 04:15 to 18:00",
		`{{window "h" "d"}}`:                                                                  "Sun 04:15 to Wed 06:00",
		`{{window "h" "same"}}`:                                                               "about Sun 04:15",
		`{{window "h" "what"}}; {{window "what" "h"}}; {{window "what" "nan"}}`:               "Sun 04:15 or later; before Sun 04:15; not known",
		`{{oclock "ten"}}`:                                                                    "22:30",
		`{{watts "what"}} {{volts "nan"}} {{fact "what"}} {{known "nan"}}`:                    "not known not known 0 false",
		`{{number "x/*"}} {{number (told "a")}} {{number (told "b/*")}} {{watts (told "c")}}`: "7 1.5 2 not known",
		`{{site}} {{of}} {{subject}} {{since}} {{lasted}} {{now}}`:                            "slipway gate it is cold Fri 07:00 30 hours Sat 12:00",
		"a\n\n  b   c \n{{if known \"what\"}}d{{end}}\n":                                      "a\nb c",
	} {
		got := writer(t, facts).run(text)
		if got != want {
			t.Errorf("%s\ngot  %q\nwant %q", text, got, want)
		}
	}
}

func TestEveryHelperIsNamed(t *testing.T) {
	t.Parallel()
	funcs := writer(t, nil).funcs()
	for name := range funcs {
		if Helpers()[name] == "" {
			t.Errorf("the helper %s is not named", name)
		}
	}
	for name := range Helpers() {
		if funcs[name] == nil {
			t.Errorf("there is no helper %s", name)
		}
	}
}

func TestABrokenTextStillWarns(t *testing.T) {
	t.Parallel()
	for _, text := range []string{"{{foo}}", "{{index 3 4}}", "{{template \"x\"}}"} {
		if got := writer(t, nil).run(text); got != "it is cold" {
			t.Errorf("%s became %q", text, got)
		}
	}
}

func TestDaylightSavingTime(t *testing.T) {
	t.Parallel()
	w := writer(t, map[string]float64{"h": 4})
	w.u.now = time.Date(2026, 3, 28, 22, 30, 0, 0, time.UTC) // 23:30, the clock goes forward at 2
	if got := w.run(`{{clock "h"}}`); got != "Sun 04:30" {
		t.Errorf("got %s", got)
	}
}

func TestShorten(t *testing.T) {
	t.Parallel()
	long := strings.Repeat("°", 80)
	if got := shorten(long); utf8.RuneCountInString(got) >= titleLimit || !strings.HasSuffix(got, "…") {
		t.Errorf("%q is %d long", got, utf8.RuneCountInString(got))
	}
	if got := shorten("short"); got != "short" {
		t.Errorf("got %q", got)
	}
}

func TestChance(t *testing.T) {
	t.Parallel()
	for p, want := range map[float64]string{0: "next to none", 0.07: "about 1 in 10", 0.3: "about 1 in 3", 0.55: "about even", 0.62: "about 2 in 3", 1: "almost certain"} {
		if got := chance(p); got != want {
			t.Errorf("%v is %q, want %q", p, got, want)
		}
	}
}

func TestSpan(t *testing.T) {
	t.Parallel()
	for d, want := range map[time.Duration]string{
		0: "0 seconds", time.Second: "1 second", 89 * time.Second: "89 seconds", 90 * time.Second: "2 minutes",
		89 * time.Minute: "89 minutes", 90 * time.Minute: "2 hours", 47 * time.Hour: "47 hours", 48 * time.Hour: "2 days", -time.Hour: "60 minutes",
	} {
		if got := span(d); got != want {
			t.Errorf("%v is %q, want %q", d, got, want)
		}
	}
}

func TestPlain(t *testing.T) {
	t.Parallel()
	n := Notice{Title: "a", Text: "b\nc", Advice: []string{"d", "e"}}
	if got := n.Plain(); got != "a\n\nb\nc\n- d\n- e\n" {
		t.Errorf("got %q", got)
	}
}

// TestTheWordsFollowTheFacts: the alarm stays on its gravest rung for a while, so as not to
// tell it twice; its words do not.
func TestTheWordsFollowTheFacts(t *testing.T) {
	t.Parallel()
	d := newDrill(t, find(t, Builtin(), "cutoff_ahead"))
	low := []any{"battery_soc", 0.06, "cutoff_within_24h", 0.9, "cutoff_within_48h", 0.9, "cutoff_within_72h", 0.9, "cutoff_within_120h", 0.95, "cutoff_within_168h", 0.95,
		"cutoff_hours_p50", 3, "dark_early_hours", 2, "dark_from_hours", 2.5, "dark_to_hours", 4, "dark_lasts_hours", 9, "dark_back_hours", 13}
	d.set(low...)
	d.want(d.run(time.Hour), "raised cutoff_ahead")
	for _, row := range []struct {
		set      []any
		title    string
		severity Severity
	}{
		{low, "slipway: going dark about Sat 15:30", Critical},
		{[]any{"load_dark", 1, "cutoff_hours_p50", 0}, "slipway: dark", Critical},
		{[]any{"load_dark", 0, "cutoff_within_24h", 0.1, "cutoff_within_48h", 0.2, "cutoff_within_72h", 0.4, "cutoff_within_120h", 0.6,
			"cutoff_within_168h", 0.6, "cutoff_hours_p50", 90, "dark_early_hours", 70}, "slipway: may go dark Tue 11:00 or later", Warning},
		{[]any{"cutoff_within_72h", 0.1, "cutoff_within_120h", 0.14, "dark_from_hours", nil, "cutoff_hours_p50", 1e9}, "slipway: may go dark within a week", Info},
	} {
		d.set(row.set...)
		d.step(time.Minute)
		a := d.e.Active(d.s, d.now, d.get)
		if len(a) != 1 || a[0].Title != row.title || a[0].Severity != row.severity || strings.Contains(a[0].Text, "not known") {
			t.Errorf("want %s %q, got %+v", row.severity, row.title, a)
		}
	}
	d.want(d.run(6*time.Hour), "")
}
