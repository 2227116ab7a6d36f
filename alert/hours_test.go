package alert

import (
	"strings"
	"testing"
	"time"
)

// at sets the wall clock of a drill to a local time of the same day.
func (d *drill) at(clock string) *drill {
	d.t.Helper()
	t, err := time.ParseInLocation("2006-01-02 15:04", "2026-01-10 "+clock, d.e.Zone)
	if err != nil {
		d.t.Fatal(err)
	}
	d.now = t
	return d
}

func night(d *drill) *drill {
	d.e.Quiet = Quiet{From: 22 * 60, To: 7 * 60}
	return d
}

func TestQuietHoursHoldARaise(t *testing.T) {
	t.Parallel()
	d := night(newDrill(t, cold())).at("22:30").set("battery_celsius", -3)
	d.want(d.run(8*time.Hour), "")
	if a := d.e.Active(d.s, d.now, d.get); len(a) != 1 || a[0].Told {
		t.Fatalf("on the page: %+v", a)
	}
	d.set("battery_celsius", -7)
	got := d.run(time.Hour)
	d.want(got, "raised cold")
	if n := got[0]; n.Title != "slipway: -7 °C" || n.At.In(d.e.Zone).Format("15:04") != "07:00" || n.Since.In(d.e.Zone).Format("15:04") != "22:41" {
		t.Errorf("what was held is not told as of the morning: %+v", n)
	}
}

// TestWhatCameAndWentInTheNight: nothing is over that was never told; what was critical is
// told for what it was.
func TestWhatCameAndWentInTheNight(t *testing.T) {
	t.Parallel()
	for severity, want := range map[Severity]string{Warning: "", Critical: "cleared cold"} {
		r := cold()
		r.Rungs[0].Severity = severity
		d := night(newDrill(t, r)).at("22:30").set("battery_celsius", -3)
		d.want(d.run(time.Hour), "")
		d.set("battery_celsius", 5)
		d.want(d.run(time.Hour), "")
		got := d.run(8 * time.Hour)
		d.want(got, want)
		if len(got) > 0 && (!strings.Contains(got[0].Text, "could not be told") || !strings.Contains(got[0].Text, "began Sat 22:41") ||
			!strings.HasPrefix(got[0].Title, "Came and went: slipway: ")) {
			t.Errorf("the one message does not tell of the start: %s\n%s", got[0].Title, got[0].Text)
		}
	}
}

func TestQuietHoursHoldTheClearOfWhatWasTold(t *testing.T) {
	t.Parallel()
	d := night(newDrill(t, cold())).at("21:00").set("battery_celsius", -3)
	raised := d.run(20 * time.Minute)
	d.want(raised, "raised cold")
	d.at("23:00").set("battery_celsius", 5)
	d.want(d.run(time.Hour), "")
	d.set("battery_celsius", -3) // and a new alarm in the same night
	got := d.run(9 * time.Hour)
	d.want(got, "cleared cold, raised cold")
	if got[0].ID != raised[0].ID || got[1].ID == raised[0].ID {
		t.Errorf("the ids are %s, then %s and %s", raised[0].ID, got[0].ID, got[1].ID)
	}
}

func TestQuietHoursNeverHoldLastWords(t *testing.T) {
	t.Parallel()
	d := night(newDrill(t, cutoffAhead())).at("02:00")
	d.set("cutoff_within_72h", 0.4, "cutoff_within_120h", 0.4, "cutoff_hours_p10", 40, "cutoff_hours_p50", 60)
	d.want(d.run(time.Hour), "")
	d.set("cutoff_within_24h", 0.8, "cutoff_within_72h", 1, "cutoff_hours_p10", 4, "cutoff_hours_p50", 5)
	got := d.run(5 * time.Minute)
	d.want(got, "raised cutoff_ahead")
	if got[0].Severity != Critical || !strings.Contains(got[0].Title, "going dark") {
		t.Errorf("the last words are %+v", got[0])
	}
}

func TestQuietHoursLetThroughWhatMustBeActedOnBeforeTheirEnd(t *testing.T) {
	t.Parallel()
	for _, row := range []struct {
		actBy float64
		want  string
	}{{3, "raised cutoff_ahead"}, {9, ""}, {24, ""}} {
		d := night(newDrill(t, cutoffAhead())).at("01:00")
		d.set("cutoff_within_72h", 0.7, "cutoff_within_120h", 0.9, "cutoff_hours_p50", 20, "act_by_hours", row.actBy)
		d.want(d.run(time.Hour), row.want)
	}
}

func TestNoQuietHoursByAClockThatMayBeWrong(t *testing.T) {
	t.Parallel()
	d := night(newDrill(t, cold())).at("22:30").set("battery_celsius", -3, "clock_trusted", 0)
	d.want(d.run(20*time.Minute), "raised cold")
}

func TestSilence(t *testing.T) {
	t.Parallel()
	d := newDrill(t, cold(), chargingBelowFreezing()).set("battery_celsius", -3)
	raised := d.run(20 * time.Minute)
	d.want(raised, "raised cold")
	d.s = d.s.Silenced(d.now, 2*time.Hour, "new battery")
	d.set("battery_amps", 5) // grave, and still nobody wants it while they work on it
	d.want(d.run(30*time.Minute), "")
	d.set("battery_amps", 0)
	d.want(d.run(40*time.Minute), "")
	d.set("battery_celsius", 5)
	d.want(d.run(40*time.Minute), "")
	after := d.run(20 * time.Minute)
	d.want(after, "cleared cold") // its raise was told; what came and went in the silence was not
	if after[0].ID != raised[0].ID || d.s.Silence != nil {
		t.Errorf("after the silence: %+v, %+v", after[0], d.s.Silence)
	}
}

func TestSilenceEndsByItselfWhateverTheClockDoes(t *testing.T) {
	t.Parallel()
	d := newDrill(t, cold()).set("battery_celsius", -3)
	d.step(time.Minute)
	d.s = d.s.Silenced(d.now, time.Hour, "new battery")
	d.now = d.now.Add(-20 * 365 * 24 * time.Hour)
	d.want(d.run(59*time.Minute), "")
	d.want(d.run(3*time.Minute), "raised cold")
	d.s = d.s.Silenced(d.now, time.Hour, "again").Unsilenced()
	d.set("battery_celsius", 5)
	d.want(d.run(10*time.Minute), "cleared cold")
}

func escalating(t *testing.T) *drill {
	d := newDrill(t, cutoffAhead())
	d.e.Escalate = true
	return d.set("cutoff_within_72h", 0.7, "cutoff_within_120h", 0.9, "act_by_hours", 5)
}

func TestEscalation(t *testing.T) {
	t.Parallel()
	d := escalating(t)
	raised := d.run(time.Hour)
	d.want(raised, "raised cutoff_ahead")
	d.want(d.run(4*time.Hour), "")
	got := d.run(time.Hour)
	d.want(got, "changed cutoff_ahead")
	if got[0].ID != raised[0].ID || got[0].Facts["escalated"] != 1 || !strings.HasPrefix(got[0].Title, "Not acknowledged: ") {
		t.Errorf("the escalation is %+v", got[0])
	}
	d.want(d.run(24*time.Hour), "") // once
	d.set("cutoff_within_72h", 0, "cutoff_within_120h", 0)
	over := d.run(3 * time.Hour)
	d.want(over, "cleared cutoff_ahead")
	if over[0].Facts["escalated"] != 1 {
		t.Error("the second person is not told that it is over")
	}
}

func TestAcknowledgedIsNotEscalated(t *testing.T) {
	t.Parallel()
	d := escalating(t)
	raised := d.run(time.Hour)
	d.want(raised, "raised cutoff_ahead")
	if _, ok := d.s.Acknowledge("another"); ok {
		t.Error("an alarm that does not exist was acknowledged")
	}
	next, ok := d.s.Acknowledge(raised[0].ID)
	if !ok {
		t.Fatal("the alarm cannot be acknowledged")
	}
	d.s = next
	d.want(d.run(24*time.Hour), "")
	d.set("cutoff_within_24h", 1, "cutoff_hours_p50", 3) // a graver rung is news again
	d.want(d.run(time.Hour), "changed cutoff_ahead")
}

func TestNobodyToEscalateTo(t *testing.T) {
	t.Parallel()
	d := escalating(t)
	d.e.Escalate = false
	d.want(d.run(48*time.Hour), "raised cutoff_ahead")
}

func TestToldAgainWhenTheMomentMoves(t *testing.T) {
	t.Parallel()
	d := newDrill(t, cutoffAhead()).set("cutoff_within_72h", 0.4, "cutoff_within_120h", 0.5, "dark_early_hours", 90)
	d.want(d.run(time.Hour), "raised cutoff_ahead")
	for range 20 { // the hours run down as they must: the moment stays
		d.facts["dark_early_hours"]--
		d.want(d.run(time.Hour), "")
	}
	d.facts["dark_early_hours"] -= 11
	d.want(d.run(time.Hour), "")
	d.facts["dark_early_hours"] -= 3
	d.want(d.run(time.Hour), "changed cutoff_ahead")
	d.facts["dark_early_hours"] -= 15 // at once: at most one such message in twelve hours
	for range 11 {
		d.facts["dark_early_hours"]--
		d.want(d.run(time.Hour), "")
	}
	d.facts["dark_early_hours"]--
	d.want(d.run(time.Hour), "changed cutoff_ahead")
	d.facts["dark_early_hours"] += 40 // later than told is no reason to act otherwise
	d.want(d.run(24*time.Hour), "")
	d.set("dark_early_hours", nil)
	d.want(d.run(48*time.Hour), "")
}

func TestARungIsToldAnewAfterLongQuiet(t *testing.T) {
	t.Parallel()
	d := newDrill(t, cutoffAhead())
	calm := []any{"cutoff_within_24h", 0, "cutoff_within_48h", 0.1, "cutoff_within_72h", 0.4, "cutoff_within_120h", 0.5, "cutoff_hours_p50", nil}
	last := []any{"cutoff_within_24h", 1, "cutoff_within_48h", 1, "cutoff_within_72h", 1, "cutoff_within_120h", 1, "cutoff_hours_p50", 4}
	d.set(last...)
	d.want(d.run(time.Hour), "raised cutoff_ahead")
	d.set(calm...)
	d.want(d.run(10*time.Hour), "")
	d.set(last...)
	d.want(d.run(time.Hour), "")
	d.set(calm...)
	d.want(d.run(14*time.Hour), "")
	if a := d.e.Active(d.s, d.now, d.get); a[0].Rung != "heads-up" || a[0].Severity != Warning {
		t.Errorf("after long quiet it stands on %q", a[0].Rung)
	}
	d.set(last...)
	got := d.run(time.Hour)
	d.want(got, "changed cutoff_ahead")
	if got[0].Severity != Critical {
		t.Errorf("the last words came as %v", got[0])
	}
	d.set(calm...)
	d.want(d.run(14*time.Hour), "")
	d.set("cutoff_within_72h", 0, "cutoff_within_120h", 0)
	over := d.run(3 * time.Hour)
	d.want(over, "cleared cutoff_ahead")
	if over[0].Severity != Critical {
		t.Errorf("whoever was told of the gravest rung is not told that it is over: %v", over[0].Severity)
	}
}

func TestAnAcknowledgedHeadsUpAcknowledgesNoGraverRung(t *testing.T) {
	t.Parallel()
	d := escalating(t).set("cutoff_within_72h", 0.4)
	raised := d.run(time.Hour)
	d.want(raised, "raised cutoff_ahead")
	d.s, _ = d.s.Acknowledge(raised[0].ID)
	d.set("cutoff_within_72h", 0.7)
	d.want(d.run(time.Hour), "changed cutoff_ahead")
	got := d.run(5 * time.Hour)
	d.want(got, "changed cutoff_ahead")
	if got[0].Facts["escalated"] != 1 {
		t.Errorf("it was not sent on: %+v", got[0])
	}
}

// TestWhatTheNightHeldAndAnotherAlarmExplains: in the morning the graver alarm alone is told.
func TestWhatTheNightHeldAndAnotherAlarmExplains(t *testing.T) {
	t.Parallel()
	d := night(newDrill(t, cutoffAhead(), reserveAhead())).at("23:00")
	d.set("reserve_within_48h", 0.9, "reserve_within_72h", 0.9, "cutoff_within_72h", 0.1, "cutoff_within_120h", 0.1)
	d.want(d.run(2*time.Hour), "")
	d.set("cutoff_within_72h", 0.4, "cutoff_within_120h", 0.5)
	d.want(d.run(10*time.Hour), "raised cutoff_ahead")
}

func TestASilentSourceExplainsWhatItFeeds(t *testing.T) {
	t.Parallel()
	d := newDrill(t, sourceSilent(), peerLost(), diskNearlyFull())
	d.e.Feeds = map[string][]string{"charger": {"battery_volts"}, "path": {"peer_up", "peer_rtt_seconds"}}
	d.set("source_up/charger", 1, "source_age_seconds/charger", 1, "source_every_seconds/charger", 10,
		"source_up/path", 0, "source_age_seconds/path", 900, "source_every_seconds/path", 30)
	d.want(d.run(10*time.Minute), "raised source_silent")
	d.set("peer_up/gate", 0, "disk_free_ratio", 0.01) // the last that the silent source said
	d.want(d.run(time.Hour), "raised disk_nearly_full")
	d.set("source_up/path", 1, "source_age_seconds/path", 1)
	d.want(d.run(30*time.Minute), "cleared source_silent, raised peer_lost")
	d.set("source_up/charger", 0, "source_age_seconds/charger", 900, "peer_up/gate", 1)
	d.want(d.run(30*time.Minute), "raised source_silent, cleared peer_lost")
}

func TestALostPeerExplainsItsOwnPathAlone(t *testing.T) {
	t.Parallel()
	d := newDrill(t, peerLost(), pathDegrading())
	d.e.Instances["peer"] = []string{"gate", "island"}
	d.set("peer_up/gate", 0, "peer_up/island", 1, "peer_loss_ratio/gate", 1, "peer_loss_ratio/island", 0.2)
	d.want(d.run(5*time.Hour), "raised peer_lost, raised path_degrading")
}

func TestNothingIsSaidTwiceByAStateThatWasRestored(t *testing.T) {
	t.Parallel()
	d := newDrill(t, cold()).set("battery_celsius", -3)
	d.want(d.run(20*time.Minute), "raised cold")
	d.e.Rules = []Rule{cold(), diskNearlyFull()} // a new version with other rules
	d.want(d.run(time.Hour), "")
}

// TestTheEndOfWhatIsNoLongerWatched: an alarm whose rule or source was taken out of the
// configuration ends, so that no receiver waits for it for ever.
func TestTheEndOfWhatIsNoLongerWatched(t *testing.T) {
	t.Parallel()
	d := newDrill(t, cold(), sourceSilent(), diskNearlyFull()).set("battery_celsius", -3, "source_up/charger", 0)
	raised := d.run(20 * time.Minute)
	d.want(raised, "raised source_silent, raised cold")
	d.set("disk_free_ratio", 0.01)
	d.want(d.run(5*time.Minute), "")
	d.e.Rules = []Rule{sourceSilent()}
	d.e.Instances["source"] = []string{"path"}
	over := d.run(time.Hour)
	d.want(over, "cleared cold, cleared source_silent")
	if over[0].ID != raised[1].ID || over[1].ID != raised[0].ID || over[1].Title != "slipway: no longer watched: charger" || !strings.Contains(over[0].Text, "no longer watched") {
		t.Errorf("got %+v", over)
	}
	if len(d.s.Tracks) != 1 {
		t.Errorf("%d tracks are left", len(d.s.Tracks))
	}
}

// TestAnyRuleRemindsAndEscalates: as often as it says, until somebody acknowledges; not what is
// no longer so.
func TestAnyRuleRemindsAndEscalates(t *testing.T) {
	t.Parallel()
	r := cold()
	r.Rungs[0].RemindAfter, r.Rungs[0].Escalate, r.Rungs[0].EscalateAfter = 6*time.Hour, true, 4*time.Hour
	d := newDrill(t, r).set("battery_celsius", -3)
	d.e.Escalate = true
	d.want(d.run(time.Hour), "raised cold")
	got := d.run(11 * time.Hour)
	d.want(got, "changed cold, changed cold")
	if !strings.HasPrefix(got[0].Title, "Not acknowledged: ") || !strings.Contains(got[1].Title, "Still: ") || got[1].At.Sub(got[0].At) != 6*time.Hour {
		t.Errorf("got %q at %s, %q at %s", got[0].Title, got[0].At, got[1].Title, got[1].At)
	}
	d.s, _ = d.s.Acknowledge(got[0].ID)
	d.want(d.run(48*time.Hour), "")
}
