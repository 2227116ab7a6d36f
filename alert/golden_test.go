package alert

import (
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"
)

// scene is a situation in which a rule speaks: facts by name, for the raise and, changed,
// for the clear.
type scene struct {
	file  string
	rule  Rule
	rung  string // the rung to be reached, when the rule has several
	of    string
	facts map[string]float64
	over  map[string]float64
}

func day(hours float64) map[string]float64 {
	return map[string]float64{
		"pv_clear_watts": 180, "array_watts_peak": 240, "sun_elevation_degrees": 25, "battery_full": 0, "curtailed": 0,
		"battery_volts": 13.1, "battery_soc": 0.46, "battery_soc_low": 0.41, "battery_soc_high": 0.52, "no_sun_hours": hours,
	}
}

func with(base map[string]float64, pairs ...any) map[string]float64 {
	m := maps.Clone(base)
	if m == nil {
		m = map[string]float64{}
	}
	for i := 0; i < len(pairs); i += 2 {
		m[pairs[i].(string)] = pairs[i+1].(float64)
	}
	return m
}

func lowBattery() map[string]float64 {
	return map[string]float64{
		"battery_soc": 0.34, "battery_soc_low": 0.28, "battery_soc_high": 0.41, "load_watts": 21, "hours_since_full": 124,
		"cutoff_within_24h": 0, "cutoff_within_48h": 0.12, "cutoff_within_72h": 0.31, "cutoff_within_120h": 0.55,
		"reserve_within_48h": 0.62, "reserve_within_72h": 0.8, "reserve_hours_p10": 26, "reserve_hours_p50": 39.4, "reserve_hours_p90": 66,
		"cutoff_within_168h": 0.62, "dark_early_hours": 61.4, "dark_from_hours": 63.2, "dark_to_hours": 71.6, "dark_lasts_hours": 14, "dark_back_hours": 82.5,
		"advice_chance_before": 0.62, "trip_hours": 1.5,
		"advice_shed_from_hour": 22, "advice_shed_to_hour": 6, "advice_shed_chance_after": 0.2,
		"advice_topup_wh": 240, "advice_topup_chance_after": 0.1, "act_by_hours": 52,
	}
}

// scenes is one situation for each rung of each built-in rule.
func scenes() []scene {
	safe := map[string]float64{"cutoff_within_48h": 0, "cutoff_within_72h": 0.02, "cutoff_within_120h": 0.09,
		"reserve_within_48h": 0.02, "reserve_within_72h": 0.05, "battery_soc": 0.83, "cutoff_within_168h": 0.11, "cutoff_within_24h": 0, "cutoff_hours_p50": 1e9}
	actBy := with(lowBattery(), "cutoff_within_48h", 0.4, "cutoff_within_72h", 0.66, "cutoff_within_120h", 0.8,
		"cutoff_within_168h", 0.85, "advice_chance_before", 0.85, "dark_early_hours", 37.5, "dark_from_hours", 39.0, "dark_to_hours", 45.2, "dark_lasts_hours", 57.0, "dark_back_hours", 99.0, "reading_age_seconds", 12.0, "act_by_hours", 27.6, "battery_soc", 0.22, "battery_soc_low", 0.16)
	last := with(actBy, "cutoff_within_24h", 1.0, "cutoff_within_48h", 1.0, "cutoff_within_72h", 1.0, "cutoff_within_120h", 1.0, "battery_soc", 0.04, "battery_soc_low", 0.02,
		"battery_soc_high", 0.07, "cutoff_hours_p50", 3.7, "cutoff_within_168h", 1.0, "advice_chance_before", 1.0,
		"dark_early_hours", 2.0, "dark_from_hours", 3.2, "dark_to_hours", 4.5, "act_by_hours", 0.0, "dark_lasts_hours", 9.0, "dark_back_hours", 12.5)
	cold := with(actBy, "battery_celsius", -8.0, "advice_clean_hours", 31.0)
	deep := with(actBy, "load_dark", 1.0, "cutoff_hours_p50", 0.0, "dark_early_hours", 0.0, "dark_from_hours", 0.0, "dark_to_hours", 0.0, "dark_lasts_hours", 34.0, "dark_back_hours", 34.0)
	endless := with(actBy)
	delete(endless, "dark_lasts_hours")
	delete(endless, "dark_back_hours")
	noAdvice := with(lowBattery(), "cutoff_within_72h", 0.1, "cutoff_within_120h", 0.25, "cutoff_within_168h", 0.3)
	for name := range noAdvice {
		if strings.HasPrefix(name, "advice_") {
			delete(noAdvice, name)
		}
	}
	dark := with(day(70), "pv_volts", 0.4, "charge_amps", 0.0)
	held := with(day(70), "pv_volts", 19.0, "charge_amps", 0.0, "battery_celsius", -3.0)
	snow := with(day(70), "pv_volts", 15.2, "pv_watts", 1.2, "air_celsius", -2.0, "battery_celsius", 3.0, "advice_clean_hours", 31.0)
	stopped := with(day(70), "pv_volts", 19.4, "pv_watts", 0.0, "charge_amps", 0.0, "battery_celsius", 11.0)
	list := []scene{
		{"cutoff_ahead_note", cutoffAhead(), "note", "", noAdvice, nil},
		{"cutoff_ahead_heads_up", cutoffAhead(), "heads-up", "", lowBattery(), safe},
		{"cutoff_ahead_act_by", cutoffAhead(), "act by", "", actBy, safe},
		{"cutoff_ahead_too_cold_to_charge", cutoffAhead(), "act by", "", cold, safe},
		{"cutoff_ahead_dark", cutoffAhead(), "act by", "", deep, nil},
		{"cutoff_ahead_no_return", cutoffAhead(), "act by", "", endless, nil},
		{"cutoff_ahead_last_words", cutoffAhead(), "last words", "", last, safe},
		{"reserve_ahead", reserveAhead(), "", "", lowBattery(), safe},
		{"charging_below_freezing", chargingBelowFreezing(), "", "", map[string]float64{"battery_celsius": -4, "battery_amps": 3.2}, map[string]float64{"battery_celsius": 3}},
		{"over_temperature_hot", overTemperature(), "hot", "", map[string]float64{"battery_celsius": 52, "battery_amps": 1, "controller_celsius": 61, "air_celsius": 36}, map[string]float64{"battery_celsius": 38}},
		{"over_temperature_critical", overTemperature(), "far too hot", "", map[string]float64{"battery_celsius": 62}, map[string]float64{"battery_celsius": 38}},
		{"charge_held_by_cold", chargeHeldByCold(), "", "", held, map[string]float64{"charge_amps": 2}},
		{"panel_dark", panelDark(), "", "", dark, map[string]float64{"pv_volts": 18}},
		{"panel_covered", panelCovered(), "", "", snow, map[string]float64{"pv_watts": 60}},
		{"charge_stopped", chargeStopped(), "", "", stopped, map[string]float64{"charge_amps": 4}},
		{"load_creep", loadCreep(), "", "", map[string]float64{"load_creep_ratio": 0.11, "load_creep_ratio_sd": 0.02, "load_watts": 23.4}, map[string]float64{"load_creep_ratio": 0.01}},
		{"load_unmetered", loadUnmetered(), "", "", map[string]float64{"ghost_found": 1, "unmetered_watts": 3.1, "unmetered_watts_sd": 0.6, "load_watts": 18}, map[string]float64{"ghost_found": 0}},
		{"battery_replaced", batteryReplaced(), "", "", map[string]float64{"battery_replaced": 1}, map[string]float64{"battery_replaced": 0}},
		{"not_full_a_week", notFull(), "a week", "", map[string]float64{"hours_since_full": 200, "battery_soc_low": 0.5, "battery_soc_high": 0.71}, nil},
		{"not_full_two_weeks", notFull(), "two weeks", "", map[string]float64{"hours_since_full": 350, "battery_soc_low": 0.4, "battery_soc_high": 0.68}, map[string]float64{"hours_since_full": 1}},
		{"belief_disagrees", beliefDisagrees(), "", "", map[string]float64{"controller_soc": 0.9, "battery_soc": 0.6, "battery_soc_low": 0.55, "battery_soc_high": 0.66, "hours_since_full": 170},
			map[string]float64{"controller_soc": 0.6}},
		{"capacity_fading", capacityFading(), "", "", map[string]float64{"health_ratio": 0.71, "health_ratio_sd": 0.03}, map[string]float64{"health_ratio": 0.98}},
		{"back_after_empty", back(), "", "", map[string]float64{"back_hours_ago": 0.3, "outage_hours": 108, "outages": 1, "outage_of_empty_battery": 1, "outage_said_chance": 0.83, "battery_soc": 0.21,
			"battery_soc_low": 0.12, "battery_soc_high": 0.3, "cutoff_within_168h": 0.6}, nil},
		{"back_after_a_fuse", back(), "", "", map[string]float64{"back_hours_ago": 0.3, "outage_hours": 31, "outages": 1, "outage_of_empty_battery": 0, "battery_soc": 0.71,
			"battery_soc_low": 0.62, "battery_soc_high": 0.8, "cutoff_within_168h": 0.01}, nil},
		{"blind_with_charge", blind(), "with charge", "", map[string]float64{"blind": 1, "sure_soc_low": 0.62, "sure_soc_high": 0.7, "no_sun_hours": 71, "battery_soc_low": 0.5, "battery_soc_high": 0.58},
			map[string]float64{"blind": 0}},
		{"blind_with_little_charge", blind(), "with little charge", "", map[string]float64{"blind": 1, "sure_soc_low": 0.22, "sure_soc_high": 0.3, "battery_soc_low": 0.3, "battery_soc_high": 0.36},
			map[string]float64{"blind": 0}},
		{"source_silent", sourceSilent(), "", "charger", map[string]float64{"source_up/charger": 0, "source_age_seconds/charger": 460, "source_every_seconds/charger": 10},
			map[string]float64{"source_up/charger": 1, "source_age_seconds/charger": 3}},
		{"source_never_answered", sourceSilent(), "", "charger", map[string]float64{"source_up/charger": 0, "source_every_seconds/charger": 10}, nil},
		{"reading_doubted", readingDoubted(), "", "charger", map[string]float64{"source_doubtful/charger": 2, "reading_doubtful/battery_amps/charger": 1,
			"reading_doubtful/charge_amps/charger": 1, "reading_doubtful/battery_volts/charger": 0}, map[string]float64{"source_doubtful/charger": 0}},
		{"place_doubted", placeDoubted(), "", "", map[string]float64{"place_doubted": 1}, map[string]float64{"place_doubted": 0}},
		{"place_doubted_late", placeDoubted(), "", "", map[string]float64{"place_doubted": 1, "light_late_hours": 6.2}, nil},
		{"place_doubted_season", placeDoubted(), "", "", map[string]float64{"place_doubted": 1, "light_late_hours": 0.3}, nil},
		{"peer_lost", peerLost(), "", "gate", map[string]float64{"peer_up/gate": 0}, map[string]float64{"peer_up/gate": 1}},
		{"path_degrading", pathDegrading(), "", "gate", map[string]float64{"peer_up/gate": 1, "peer_loss_ratio/gate": 0.12, "peer_rtt_seconds/gate": 0.038},
			map[string]float64{"peer_loss_ratio/gate": 0.01}},
		{"notices_refused", noticesRefused(), "", "owner", map[string]float64{"notices_refused/owner": 3}, map[string]float64{"notices_refused/owner": 0}},
		{"clock_untrusted", clockUntrusted(), "", "", map[string]float64{"clock_trusted": 0, "uptime_seconds": 4000}, map[string]float64{"clock_trusted": 1}},
		{"disk_nearly_full", diskNearlyFull(), "", "", map[string]float64{"disk_free_ratio": 0.03}, map[string]float64{"disk_free_ratio": 0.4}},
		{"nothing_kept", nothingKept(), "", "", map[string]float64{"state_kept": 0, "record_kept": 1}, map[string]float64{"state_kept": 1, "record_kept": 1}},
		{"samples_refused", samplesRefused(), "", "", map[string]float64{"remote_write_refused_total": 3, "remote_write_since_refusal_seconds": 20},
			map[string]float64{"remote_write_refused_total": 3, "remote_write_since_refusal_seconds": 90_000}},
		{"forecast_stale", forecastStale(), "", "", map[string]float64{"forecast_age_seconds": 27 * 3600}, map[string]float64{"forecast_age_seconds": 600}},
	}
	return append(list, moreScenes(actBy, last, safe)...)
}

// moreScenes are what else happens to the same rules: facts that are not there, and the ends
// of what they may be.
func moreScenes(actBy, last, safe map[string]float64) []scene {
	without := func(base map[string]float64, names ...string) map[string]float64 {
		m := maps.Clone(base)
		for _, name := range names {
			delete(m, name)
		}
		return m
	}
	cutoff := func(name, rung string, facts map[string]float64) scene {
		return scene{"cutoff_ahead_" + name, cutoffAhead(), rung, "", facts, safe}
	}
	return []scene{
		cutoff("too_late_to_go", "act by", with(actBy, "act_by_hours", 36.5)),
		cutoff("shed_day_and_night", "act by", with(actBy, "advice_shed_from_hour", 0.0, "advice_shed_to_hour", 24.0)),
		cutoff("some_night_of_several", "act by", with(without(actBy, "dark_back_hours"), "dark_from_hours", 38.0, "dark_to_hours", 92.0, "dark_lasts_hours", 12.0)),
		cutoff("no_trip_helps", "act by", without(actBy, "advice_topup_wh", "advice_topup_chance_after", "act_by_hours")),
		cutoff("nothing_helps", "act by", with(actBy, "advice_shed_chance_after", 0.84, "advice_topup_chance_after", 0.82)),
		cutoff("for_weeks", "act by", with(actBy, "dark_lasts_hours", 190.0, "dark_back_hours", 232.0)),
		cutoff("without_a_band", "heads-up", without(lowBattery(), "battery_soc_low", "battery_soc_high", "load_watts", "hours_since_full")),
		cutoff("late_in_the_week", "heads-up", with(lowBattery(), "dark_early_hours", 131.0, "dark_from_hours", 135.0, "dark_to_hours", 151.0, "dark_back_hours", 156.0, "act_by_hours", 120.0)),
		cutoff("under_snow", "heads-up", with(lowBattery(), "advice_clean_hours", 44.0)),
		cutoff("within_the_hour", "last words", with(last, "dark_early_hours", 0.3, "dark_from_hours", 0.5, "dark_to_hours", 1.2, "cutoff_hours_p50", 0.7)),
		{"reserve_now", reserveAhead(), "", "", with(lowBattery(), "reserve_hours_p10", 0.0, "reserve_hours_p50", 0.0), safe},
		{"reserve_in_two_days", reserveAhead(), "", "", with(lowBattery(), "reserve_hours_p10", 31.0, "reserve_hours_p50", 47.0), safe},
		{"blind_in_the_end", blind(), "with little charge", "", map[string]float64{"blind": 1, "sure_soc_low": 0, "sure_soc_high": 0.04, "no_sun_hours": 0}, nil},
		{"back_and_well", back(), "", "", map[string]float64{"back_hours_ago": 2.2, "outage_hours": 9.4, "outages": 1, "outage_of_empty_battery": 1, "battery_soc": 0.4,
			"battery_soc_low": 0.33, "battery_soc_high": 0.5, "cutoff_within_168h": 0.02}, nil},
		{"charging_below_freezing_by_the_charger", chargingBelowFreezing(), "", "", map[string]float64{"battery_celsius": -1.4, "charge_amps": 4, "load_amps": 1.1},
			map[string]float64{"battery_celsius": 4}},
		{"over_temperature_of_the_charger", overTemperature(), "hot", "", map[string]float64{"battery_celsius": 38, "controller_celsius": 84, "air_celsius": 33},
			map[string]float64{"controller_celsius": 60}},
		{"load_creep_unmetered", loadCreep(), "", "", map[string]float64{"load_creep_ratio": 0.31, "load_creep_ratio_sd": 0.06}, map[string]float64{"load_creep_ratio": 0}},
		{"load_unmetered_roughly", loadUnmetered(), "", "", map[string]float64{"ghost_found": 1, "unmetered_watts": 11.6}, map[string]float64{"ghost_found": 0}},
		{"capacity_fading_roughly", capacityFading(), "", "", map[string]float64{"health_ratio": 0.7}, map[string]float64{"health_ratio": 0.9}},
		{"path_degrading_by_loss", pathDegrading(), "", "gate", map[string]float64{"peer_up/gate": 1, "peer_loss_ratio/gate": 0.41}, map[string]float64{"peer_loss_ratio/gate": 0}},
		{"clock_untrusted_since_ever", clockUntrusted(), "", "", map[string]float64{"clock_trusted": 0}, map[string]float64{"clock_trusted": 1}},
		{"notices_refused_once", noticesRefused(), "", "owner", map[string]float64{"notices_refused/owner": 1}, map[string]float64{"notices_refused/owner": 0}},
	}
}

// play brings a rule to speak and gives what it said: the raise, and the clear if the scene
// has one.
func (sc scene) play(t *testing.T) []Notice {
	t.Helper()
	d := newDrill(t, find(t, Builtin(), sc.rule.Name))
	d.facts = maps.Clone(sc.facts)
	if _, told := d.facts["clock_trusted"]; !told {
		d.facts["clock_trusted"] = 1
	}
	var raised []Notice
	for range 4 * 24 * 9 {
		raised = append(raised, d.step(15*time.Minute)...)
		if active := d.e.Active(d.s, d.now, d.get); len(active) == 1 && active[0].Rung == sc.rung && (len(raised) > 0 || sc.over == nil) {
			a := active[0]
			notices := []Notice{{ID: a.ID, Title: a.Title, Text: a.Text, Advice: a.Advice, Severity: a.Severity, Phase: Raised}}
			if len(raised) > 0 {
				notices = raised[len(raised)-1:]
			}
			return append(notices, sc.end(t, d)...)
		}
	}
	t.Fatalf("%s was not raised in nine days: %s", sc.file, d.e.Explain(sc.rule, sc.of, d.get))
	return nil
}

func (sc scene) end(t *testing.T, d *drill) []Notice {
	if sc.over == nil {
		return nil
	}
	maps.Copy(d.facts, sc.over)
	for range 4 * 24 * 5 {
		if n := d.step(15 * time.Minute); len(n) > 0 {
			return n
		}
	}
	t.Fatalf("%s was not cleared in five days", sc.file)
	return nil
}

func written(notices []Notice) string {
	var b strings.Builder
	for _, n := range notices {
		fmt.Fprintf(&b, "[%s %s]\n%s\n", n.Phase, n.Severity, n.Plain())
	}
	return b.String()
}

// TestTexts holds every built-in text against the one on file. UPDATE_GOLDEN=1 rewrites
// them; read what changed.
func TestTexts(t *testing.T) {
	t.Parallel()
	for _, sc := range scenes() {
		t.Run(sc.file, func(t *testing.T) {
			t.Parallel()
			got := written(sc.play(t))
			file := filepath.Join("testdata", "notices", sc.file+".txt")
			if os.Getenv("UPDATE_GOLDEN") == "1" {
				if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			if got != string(want) {
				t.Errorf("got:\n%s\nwant:\n%s", got, want)
			}
		})
	}
}

// jargon is what the reader of a message at three in the morning need not know.
func jargon() []string {
	return []string{"soc", "p10", "p50", "p90", "rtt", "bms", "mppt", "pwm", "voc", "quantile", "ratio", "not known", "nan", "<no value>", "{{"}
}

func TestTextsSayWhatTheyMust(t *testing.T) {
	t.Parallel()
	for _, sc := range scenes() {
		notices := sc.play(t)
		for _, n := range notices {
			whole := strings.ReplaceAll(strings.ToLower(n.Plain()), "mute the rule "+n.Rule, "")
			for _, word := range jargon() {
				if regexp.MustCompile(`(^|\W)` + regexp.QuoteMeta(word) + `($|\W)`).MatchString(whole) {
					t.Errorf("%s says %q:\n%s", sc.file, word, whole)
				}
			}
			if utf8.RuneCountInString(n.Title) >= titleLimit || n.Title == "" || strings.HasSuffix(n.Title, "…") {
				t.Errorf("%s: the title is empty or does not fit: %q", sc.file, n.Title)
			}
			if !strings.HasPrefix(n.Title, "slipway: ") {
				t.Errorf("%s: the title does not begin with the node: %q", sc.file, n.Title)
			}
		}
		parts := []string{"How sure: ", "Why: ", "If nothing is done: "}
		if len(notices) > 1 { // a rung that is only shown has no foot
			parts = append(parts, "To mute: ", "As of ")
		}
		for _, part := range parts {
			if !strings.Contains(notices[0].Plain(), "\n"+part) {
				t.Errorf("%s does not say %q:\n%s", sc.file, part, notices[0].Text)
			}
		}
		if len(notices[0].Advice) == 0 {
			t.Errorf("%s gives no advice: an alarm without an action", sc.file)
		}
	}
}

// TestWhoIsSentOutIsTold: a text that sends somebody to the node says what to beware of.
func TestWhoIsSentOutIsTold(t *testing.T) {
	t.Parallel()
	for _, sc := range scenes() {
		n := sc.play(t)[0]
		advice := strings.Join(n.Advice, "\n")
		sent := regexp.MustCompile(`(?i)on your next visit|^bring |\nbring |leaving by|open the breaker|look at the (breaker|plug|aerial)`).MatchString(advice)
		if told := regexp.MustCompile(`live in (any )?light|Do not climb|keep away`).MatchString(advice); sent && !told {
			t.Errorf("%s sends somebody out without a caution:\n%s", sc.file, advice)
		}
	}
}

// TestEveryRungHasAScene keeps the texts of new rules from going unread.
func TestEveryRungHasAScene(t *testing.T) {
	t.Parallel()
	for _, r := range Builtin() {
		for _, g := range r.Rungs {
			if !slices.ContainsFunc(scenes(), func(sc scene) bool { return sc.rule.Name == r.Name && sc.rung == g.Name }) {
				t.Errorf("no scene plays %s %s", r.Name, g.Name)
			}
		}
	}
}
