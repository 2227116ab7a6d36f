package core

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"ebbwatch/collector"
	"ebbwatch/collector/reading"
	"ebbwatch/estimator/battery"
)

// life is one run of the program on a board without a clock of its own: it begins some hours
// after the first one did, at its own zero of the monotonic clock, and polls every five minutes.
// The wall clock is off by wrong until it is trusted.
type life struct {
	begins, hours float64
	trustedFrom   float64 // h after its begin; 0 from the start
	wrong         time.Duration
	volts, amps   float64
}

// live polls through one life, from what the one before kept, and keeps it as a file would.
func (l life) live(t *testing.T, memory []byte) (*Core, []byte) {
	t.Helper()
	plan := testPlan()
	plan.Battery = battery.Battery{CapacityAh: 100, Cells: 4, Reserve: 0.2, CutoffVolts: 11.6, InitialSoC: math.NaN()}
	plan.OutlookEvery = 1000 * time.Hour
	c := New(plan)
	for k := 0; k <= int(12*l.hours); k++ {
		d := time.Duration(k) * 5 * time.Minute
		now := reading.Stamp{Mono: d, Wall: start().Add(time.Duration(l.begins * float64(time.Hour))).Add(d), Trusted: true}
		if now.Trusted = float64(k) >= 12*l.trustedFrom; !now.Trusted {
			now.Wall = now.Wall.Add(l.wrong)
		}
		if k == 0 && memory != nil {
			var m Memory
			if err := json.Unmarshal(memory, &m); err != nil {
				t.Fatal(err)
			}
			c.Resume(m, now)
		}
		take(t, c, collector.Report{Source: "charger", At: now, Values: []reading.Value{
			{Quantity: reading.BatteryVolts, X: l.volts}, {Quantity: reading.BatteryAmps, X: l.amps},
		}})
		c.advance(now)
	}
	kept, err := json.Marshal(c.Memory())
	if err != nil {
		t.Fatal(err)
	}
	return c, kept
}

// after is the same life at another time, with another clock.
func (l life) after(begins float64, wrong time.Duration) life {
	l.begins, l.wrong = begins, wrong
	return l
}

// fullThenRest keeps two hours of a full and 26 more in which 1 A of 100 Ah flowed out; the last
// poll was 28 h after the first.
func fullThenRest(t *testing.T) (*Core, []byte) {
	_, kept := life{hours: 2, volts: 14.2, amps: 0.8}.live(t, nil)
	return life{begins: 2, hours: 26, volts: 13.25, amps: -1}.live(t, kept)
}

// TestClockThatIsTrustedLate: a board without a clock of its own starts with any time, and is
// set right later by a step of hours or years. Only then is it known how long nobody looked.
func TestClockThatIsTrustedLate(t *testing.T) {
	t.Parallel()
	const lastSeen = 28 // h
	year := 365 * 24 * time.Hour
	rest := life{hours: 0.5, trustedFrom: 0.25, volts: 13.2, amps: -1}
	for _, c := range []struct {
		name  string
		lives []life
		lost  [2]float64 // charge at most and at least, against going on at 1 A from the last poll
		width float64    // of the band, at least
		full  [2]float64 // h since a full
	}{
		{"off for a day and more, from 1970 to now", []life{rest.after(lastSeen+30, -56*year)}, [2]float64{-0.06, 0.06}, 0.1, [2]float64{56, 60}},
		{"the same, from a clock that was ahead", []life{rest.after(lastSeen+30, 3*year)}, [2]float64{-0.06, 0.06}, 0.1, [2]float64{56, 60}},
		{"off for two minutes", []life{rest.after(lastSeen+2./60, -56*year)}, [2]float64{-0.01, 0.01}, 0, [2]float64{26, 28}},
		{"two starts, the clock is set in the second", []life{
			{begins: lastSeen + 10, hours: 1, trustedFrom: 9, wrong: -56 * year, volts: 13.2, amps: -1},
			rest.after(lastSeen+31, -56*year),
		}, [2]float64{-0.06, 0.06}, 0.1, [2]float64{57, 60}},
		{"the clock is set after the battery was full again", []life{
			{begins: lastSeen + 30, hours: 6, trustedFrom: 5, wrong: -56 * year, volts: 14.2, amps: 0.8},
		}, [2]float64{0.5, 0.8}, 0, [2]float64{0, 0.2}},
		{"full in a life whose clock was never right, then off again", []life{
			{begins: lastSeen + 2, hours: 2, trustedFrom: 9, wrong: -56 * year, volts: 14.2, amps: 0.8},
			rest.after(lastSeen+40, -56*year),
		}, [2]float64{0.22, 0.40}, 0.1, [2]float64{36, 39}},
		{"the clock is never set", []life{
			{begins: lastSeen + 30, hours: 0.5, trustedFrom: 9, wrong: -56 * year, volts: 13.2, amps: -1},
		}, [2]float64{0.2, 0.4}, 0.05, [2]float64{26, 28}},
		{"set to a time before the last run", []life{rest.after(lastSeen-20, -56*year)}, [2]float64{-0.3, 0.02}, 0.05, [2]float64{26, 28}},
	} {
		before, kept := fullThenRest(t)
		var last *Core
		for _, l := range c.lives {
			last, kept = l.live(t, kept)
		}
		end := c.lives[len(c.lives)-1]
		b, was := last.Belief(), before.Belief()
		want := was.SoC - (end.begins+end.hours-lastSeen)/was.UsableAh
		hours := b.SinceFull.Hours()
		if x := b.SoC - want; x < c.lost[0] || x > c.lost[1] || b.High-b.Low < c.width || hours < c.full[0] || hours > c.full[1] {
			t.Errorf("%s: charge %.3f..%.3f..%.3f, %+.3f against going on; %.1f h since a full", c.name, b.Low, b.SoC, b.High, x, hours)
		}
		// a battery whose size nothing tested may hold half or twice its label, so that little is
		// known of it a day and a half after a full
		if widest := 0.90; math.IsNaN(b.SoC) || b.High-b.Low > widest && end.begins < lastSeen+40 || b.High-b.Low > 0.995 {
			t.Errorf("%s: the band is %.2f to %.2f", c.name, b.Low, b.High)
		}
	}
}

// TestUnknownAbsenceOfAnEmptyBattery: the board had died with its battery, and starts again in
// the sun with a clock that nobody trusts: it holds what the sun gave it, however long it was.
func TestUnknownAbsenceOfAnEmptyBattery(t *testing.T) {
	t.Parallel()
	_, kept := fullThenRest(t)
	_, empty := life{begins: 84, hours: 1, volts: 11.7, amps: -1}.live(t, kept)
	for name, trustedFrom := range map[string]float64{"never trusted": 9, "trusted soon": 10. / 60} {
		c, _ := life{85 + 72, 0.25, trustedFrom, -56 * 365 * 24 * time.Hour, 13.05, 1}.live(t, empty)
		if b := c.Belief(); b.Low > 0.06 || b.High < 0.15 || b.High > 0.45 {
			t.Errorf("%s: charge %.2f..%.2f..%.2f, want a band with 0.06 and 0.15 in it", name, b.Low, b.SoC, b.High)
		}
	}
}
