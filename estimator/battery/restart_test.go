package battery

import (
	"math"
	"testing"
	"time"
)

// boot is one life of the program: it begins some hours after the first one did, at its own
// zero of the monotonic clock, and reads every five minutes. The wall clock is off by wrong
// until it is trusted.
type boot struct {
	begins, hours float64
	trustedFrom   float64 // h after its begin; 0 from the start
	wrong         time.Duration
	volts, amps   float64
}

// live steps through one life and keeps the belief as a file would.
func (b boot) live(t *testing.T, m Model, s State) State {
	t.Helper()
	for k := 1.0; k <= 12*b.hours; k++ {
		r := at(60*b.begins+5*k, b.volts, b.amps)
		r.Mono = time.Duration(k * 5 * float64(time.Minute))
		if r.Trusted = k >= 12*b.trustedFrom; !r.Trusted {
			r.Wall = r.Wall.Add(b.wrong)
		}
		s = m.Step(s, r)
	}
	return m.Resumed(kept(t, s))
}

// TestClockThatIsTrustedLate: a board without a clock of its own starts with any time, and is
// set right later by a step of hours or years. Only then is it known how long nobody looked.
// Before, the battery was full and fed 1 A of 100 Ah for 26 hours, from two hours on.
func TestClockThatIsTrustedLate(t *testing.T) {
	t.Parallel()
	m := model()
	const lastSeen = 28 + 5./60 // h
	year := 365 * 24 * time.Hour
	rest := boot{hours: 0.5, trustedFrom: 0.25, volts: 13.2, amps: -1}
	for _, c := range []struct {
		name        string
		lives       []boot
		lost        [2]float64 // charge at most and at least, against going on at 1 A from the last sight
		width       float64    // of the band, at least
		full        [2]float64 // h since a full
		trustedLast bool
	}{
		{"off for a day and more, from 1970 to now", []boot{rest.after(lastSeen+30, -54*year)}, [2]float64{-0.04, 0.04}, 0.1, [2]float64{56, 60}, true},
		{"the same, from a clock that was ahead", []boot{rest.after(lastSeen+30, 3*year)}, [2]float64{-0.04, 0.04}, 0.1, [2]float64{56, 60}, true},
		{"off for two minutes", []boot{rest.after(lastSeen+2./60, -54*year)}, [2]float64{-0.01, 0.01}, 0, [2]float64{26, 28}, true},
		{"two starts, the clock is set in the second", []boot{
			{begins: lastSeen + 10, hours: 1, trustedFrom: 9, wrong: -54 * year, volts: 13.2, amps: -1},
			rest.after(lastSeen+31, -54*year),
		}, [2]float64{-0.04, 0.04}, 0.1, [2]float64{57, 60}, true},
		{"the clock is set after the battery was full again", []boot{
			{begins: lastSeen + 30, hours: 6, trustedFrom: 5, wrong: -54 * year, volts: 14.2, amps: 0.8},
		}, [2]float64{0.5, 0.8}, 0, [2]float64{0, 0.2}, true},
		{"full in a life whose clock was never right, then off again", []boot{
			{begins: lastSeen + 2, hours: 2, trustedFrom: 9, wrong: -54 * year, volts: 14.2, amps: 0.8},
			rest.after(lastSeen+40, -54*year),
		}, [2]float64{0.22, 0.40}, 0.1, [2]float64{36, 39}, true},
		{"the clock is never set", []boot{
			{begins: lastSeen + 30, hours: 0.5, trustedFrom: 9, wrong: -54 * year, volts: 13.2, amps: -1},
		}, [2]float64{0.2, 0.4}, 0.05, [2]float64{26, 28}, false},
		{"set to a time before the last run", []boot{rest.after(lastSeen-20, -54*year)}, [2]float64{-0.3, 0.02}, 0.05, [2]float64{26, 28}, true},
	} {
		s := m.Resumed(afterFull(m))
		before := m.Belief(&s)
		for _, life := range c.lives {
			s = life.live(t, m, s)
		}
		last := c.lives[len(c.lives)-1]
		b := m.Belief(&s)
		want := before.SoC - (last.begins+last.hours-lastSeen)/before.UsableAh
		hours := b.SinceFull.Hours()
		if x := b.SoC - want; x < c.lost[0] || x > c.lost[1] || b.High-b.Low < c.width || hours < c.full[0] || hours > c.full[1] || s.Trusted != c.trustedLast {
			t.Errorf("%s: charge %.3f..%.3f..%.3f, %+.3f against going on; %.1f h since a full", c.name, b.Low, b.SoC, b.High, x, hours)
		}
		if math.IsNaN(b.SoC) || b.High-b.Low > 0.6 {
			t.Errorf("%s: the band is %.2f to %.2f", c.name, b.Low, b.High)
		}
	}
}

// after is the same life at another time, with another clock.
func (b boot) after(begins float64, wrong time.Duration) boot {
	b.begins, b.wrong = begins, wrong
	return b
}

// TestBlindRestartOfAnEmptyBattery: the board had died with its battery, and starts again
// in the sun with a clock that nobody trusts: it holds what the sun gave it.
func TestBlindRestartOfAnEmptyBattery(t *testing.T) {
	t.Parallel()
	m := model()
	empty := run(m, afterFull(m), 5000, 5060, 11.7, -1)
	for name, trusted := range map[string]bool{"never trusted": false, "trusted soon": true} {
		s := m.Resumed(empty)
		for k := range 3 {
			r := at(5060+60*72+5*float64(k), 13.05, 1)
			r.Mono = time.Duration(k+1) * 5 * time.Minute
			if r.Trusted = trusted && k == 2; !r.Trusted {
				r.Wall = time.Unix(0, 0)
			}
			s = m.Step(s, r)
		}
		if b := m.Belief(&s); b.Low > 0.06 || b.High < 0.15 || b.High > 0.45 {
			t.Errorf("%s: charge %.2f..%.2f..%.2f, want a band with 0.06 and 0.15 in it", name, b.Low, b.SoC, b.High)
		}
	}
}
