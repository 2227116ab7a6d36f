package main

import (
	"bytes"
	"os"
	"regexp"
	"strings"
	"testing"
	"time"

	"ebbwatch/alert"
	"ebbwatch/cmd/internal/config"
)

func TestRulesAreExplainedWithTheirValues(t *testing.T) {
	t.Parallel()
	file := configure(t, slave(t, tired()), newReceiver(t).URL)
	address := findable(t, file)
	start(t, "run", "--config", file)
	eventually(t, 20*time.Second, "a rule is explained with its value", func() bool {
		stdout, _, code := said(t, "check", "--rules", "--all", "--config", file)
		return code == 0 && strings.Contains(stdout, "low_volts: ") && strings.Contains(stdout, "12.75")
	})
	if stdout, _, code := said(t, "check", "--rules", "--config", file); code != 0 || !regexp.MustCompile(`(?m)^low_volts +(yes, |no$)`).MatchString(stdout) {
		t.Errorf("the short form, code %d: %s", code, stdout)
	}
	stdout, stderr, code := said(t, "status", "--url", "http://"+address)
	if !strings.Contains(stdout, "slipway") || code > 2 {
		t.Errorf("status: code %d\n%s%s", code, stdout, stderr)
	}
	if _, stderr, code := said(t, "status", "--url", "http://"+freePort(t)); code != 3 || !strings.Contains(stderr, "cannot ask") {
		t.Errorf("status of nobody: code %d: %s", code, stderr)
	}
}

func TestSendTestProvesEachChannel(t *testing.T) {
	t.Parallel()
	hook := newReceiver(t)
	file := configure(t, `tcp: "127.0.0.1:1"`, hook.URL)
	stdout, _, code := said(t, "check", "--send-test", "--config", file)
	if code != 0 || !strings.Contains(stdout, "the channel owner took the test notice") || len(hook.notices("test")) != 2 ||
		hook.notices("test")[1].Phase != "cleared" || hook.notices("test")[0].ID != hook.notices("test")[1].ID {
		t.Errorf("code %d, %d notices: %s", code, len(hook.notices("test")), stdout)
	}
	hook.away.Store(true)
	if _, stderr, code := said(t, "check", "--send-test", "--config", file); code != 1 || !strings.Contains(stderr, "the channel owner failed: cannot send the notice to") {
		t.Errorf("code %d: %s", code, stderr)
	}
}

// TestCheckNamesStrangers: a rule over a neighbour, and a channel for a rule, that are not there.
func TestCheckNamesStrangers(t *testing.T) {
	t.Parallel()
	file := configure(t, `tcp: "127.0.0.1:1"`, newReceiver(t).URL)
	l, problems := load(file, config.All())
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	l.alerts.Rules = append(l.alerts.Rules, alert.RuleConfig{Name: "gone", RungFields: alert.RungFields{When: alert.MustExpr("source_up/chrger == 0")}})
	l.Notify[0].Rules = []string{"cutof_ahead", "gone"}
	got := strings.Join(l.strangers(), "\n")
	for _, want := range []string{`there is no source "chrger" (did you mean "charger"?)`, `asks for the rule "cutof_ahead", and there is none (did you mean "cutoff_ahead"?)`} {
		if !strings.Contains(got, want) {
			t.Errorf("got %q, want %q", got, want)
		}
	}
	if strings.Count(got, "\n") != 1 {
		t.Errorf("got %q", got)
	}
}

// TestCheckDoubtsWhatNoReadingCanChange: a percentage where a ratio is meant holds always. A day
// that there is not is refused.
func TestCheckDoubtsWhatNoReadingCanChange(t *testing.T) {
	t.Parallel()
	with := func(condition string) (string, int) {
		file := configure(t, `tcp: "127.0.0.1:1"`, newReceiver(t).URL)
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		text = bytes.Replace(text, []byte("  rules:\n"), []byte("  rules:\n    - {name: own, when: "+condition+"}\n"), 1)
		if err := os.WriteFile(file, text, 0o600); err != nil {
			t.Fatal(err)
		}
		_, stderr, code := said(t, "check", "--config", file)
		return stderr, code
	}
	for condition, want := range map[string]string{
		"battery_soc < 30":                          "rules[0].when: battery_soc < 30 holds always, whatever is measured: battery_soc is a ratio, 30% is written 30% or 0.3",
		"battery_volts > 14 and battery_volts < 12": "can never hold",
	} {
		if stderr, code := with(condition); code != 0 || !strings.Contains(stderr, want) {
			t.Errorf("%s: code %d, %s", condition, code, stderr)
		}
	}
	if stderr, code := with("day_low_soc/tomorow < 20%"); code != 1 || !strings.Contains(stderr, `there is no day "tomorow" (did you mean "tomorrow"?)`) {
		t.Errorf("code %d: %s", code, stderr)
	}
	if stderr, code := with("day_low_soc/tomorrow < 20% and day_sun_wh/saturday < 30"); code != 0 || strings.Contains(stderr, "day_") {
		t.Errorf("code %d: %s", code, stderr)
	}
}
