package core

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"ebbwatch/alert"
	"ebbwatch/collector/reading"
)

// TestTheFirstWordAfterAnOutage: a node that was silent for four and a half days says that it
// is back, for how long it was away and what that looks like; once.
func TestTheFirstWordAfterAnOutage(t *testing.T) {
	t.Parallel()
	for _, row := range []struct {
		volts   float64
		soc     float64
		away    time.Duration
		trusted time.Duration // when the clock is right after the start
		title   string
	}{
		{11.4, 0.05, 108 * time.Hour, 0, "slipway: back, dark for 4.5 days"},
		{13.3, 0.8, 31 * time.Hour, 0, "slipway: back, silent for 31 hours"},
		{11.4, 0.05, 108 * time.Hour, 30 * time.Minute, "slipway: back, dark for 4.5 days"},
		{13.3, 0.8, 20 * time.Minute, 0, ""},
	} {
		p := testPlan()
		p.Engine = alert.Engine{Rules: alert.Builtin(), Site: "slipway", Zone: time.UTC}
		p.Battery.InitialSoC, p.OutlookEvery = row.soc, 6*time.Hour
		c := New(p)
		live := func(c *Core, from time.Time, mono, d time.Duration, volts float64) (said []alert.Notice) {
			for t0 := time.Duration(0); t0 <= d; t0 += 2 * time.Minute {
				now := reading.Stamp{Mono: mono + t0, Wall: from.Add(t0), Trusted: t0 >= row.trusted || mono == 0}
				if !now.Trusted {
					now.Wall = time.Date(2025, 6, 1, 0, 0, 0, 0, time.UTC).Add(t0) // a board without a clock
				}
				wobble := 0.005 * float64(int(t0.Minutes())%7)
				r := report("charger", now.Mono, nil, reading.BatteryVolts, volts+wobble, reading.BatteryAmps, -1.2-wobble, reading.PanelWatts, 0.0,
					reading.LoadWatts, volts*1.2+12*wobble, reading.BatteryCelsius, 8.0)
				r.At = now
				take(t, c, r)
				said = append(said, c.Step(now)...)
			}
			return said
		}
		live(c, start(), 0, 3*time.Hour, row.volts)
		data, err := json.Marshal(c.Memory())
		var m Memory
		if err == nil {
			err = json.Unmarshal(data, &m)
		}
		if err != nil {
			t.Fatal(err)
		}
		alerts := c.Alerts()
		c = New(p)
		back := start().Add(3*time.Hour + row.away)
		first := reading.Stamp{Mono: time.Minute, Wall: back, Trusted: row.trusted == 0}
		if row.trusted > 0 {
			first.Wall = time.Date(2025, 6, 1, 0, 0, 0, 0, time.UTC)
		}
		c.SetAlerts(alerts)
		c.Resume(m, first)
		var got []string
		for _, n := range live(c, back, time.Minute, 26*time.Hour, max(row.volts, 12.9)) {
			if n.Rule == "back" {
				got = append(got, n.Title)
				if before := "Before it, going dark within three days was "; !strings.Contains(n.Text, before) {
					t.Errorf("it does not say what was forecast: %s", n.Text)
				}
				if n.At.Sub(back) > time.Hour {
					t.Errorf("it says so only at %s", n.At)
				}
			}
		}
		if want := row.title; strings.Join(got, "; ") != want {
			t.Errorf("after %s it says %q, want %q", row.away, got, want)
		}
	}
}
