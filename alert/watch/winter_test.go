package watch

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"
)

// A small relay through simulated winters, hour by hour. The climate is invented: the
// clearness of a day follows the day before, and the sun gives up to four hours of full sun.
const (
	capacity  = 1024.0 // Wh
	loadWatts = 11.0
	panel     = 240 * 0.72 // W that arrive in full sun
	reconnect = 0.15       // charge at which the controller feeds the load again
	fullDay   = 4.0        // hours of full sun on a clear day
	winter    = 90 * 24    // hours
)

// relay is the truth of one node.
type relay struct {
	dice *rand.Rand
	soc  float64
	dark bool
	sky  []float64 // clearness by day
}

func newRelay(seed uint64) *relay {
	r := &relay{dice: rand.New(rand.NewPCG(seed, 7)), soc: 0.9}
	k := 0.5
	for range winter/24 + 12 {
		k = nextDay(r.dice, k)
		r.sky = append(r.sky, k)
	}
	return r
}

func nextDay(dice *rand.Rand, k float64) float64 {
	return min(1, max(0.05, 0.36+0.6*(k-0.36)+0.26*dice.NormFloat64()))
}

// sun is the hours of full sun in one hour of the day.
func sun(hour int, k float64) float64 {
	h := hour % 24
	if h < 9 || h > 15 {
		return 0
	}
	return fullDay * k * math.Sin(math.Pi*(float64(h)-8.5)/7) / 4.49 // the seven sines add up to 4.49
}

// step moves a battery on by an hour.
func step(soc float64, dark bool, gain float64) (float64, bool) {
	soc += gain * panel / capacity
	if !dark {
		soc -= loadWatts / capacity
	}
	soc = min(1, max(0, soc))
	switch {
	case soc <= 0:
		dark = true
	case soc >= reconnect:
		dark = false
	}
	return soc, dark
}

// plan is the node's own outlook: trajectories under skies like the present one, from what
// it believes of its charge.
func (r *relay) plan(hour int, now time.Time) Plan {
	const sd, runs = 0.03, 40
	belief := min(1, max(0.005, r.soc+sd*r.dice.NormFloat64()))
	p := Plan{Stated: now, Charge: belief, NeedSun: reconnect * capacity / panel * (1 + 0.05*r.dice.NormFloat64())}
	if belief > 0.4 {
		return p
	}
	var cuts, backs []float64
	for range runs {
		cut, back := r.trajectory(hour, min(1, max(0.001, belief+sd*r.dice.NormFloat64())))
		cuts, backs = append(cuts, cut), append(backs, back)
		if cut <= 24 {
			p.Chance += 1.0 / runs
		}
	}
	slices.Sort(cuts)
	slices.Sort(backs)
	at := func(list []float64, q float64) time.Time {
		if x := list[int(q*float64(len(list)-1))]; !math.IsInf(x, 0) {
			return now.Add(time.Duration(x * float64(time.Hour)))
		}
		return time.Time{}
	}
	p.From, p.Likely, p.Back, p.Late = at(cuts, 0.1), at(cuts, 0.5), at(backs, 0.5), at(backs, 0.95)
	return p
}

// trajectory gives the hours to the cut-off and to the return after it.
func (r *relay) trajectory(hour int, soc float64) (cut, back float64) {
	k, dark := r.sky[hour/24], false
	cut = math.Inf(1)
	for h := 1; h <= 240; h++ {
		if (hour+h)%24 == 0 {
			k = nextDay(r.dice, k)
		}
		was := dark
		soc, dark = step(soc, dark, sun(hour+h, k))
		if dark && !was && math.IsInf(cut, 1) {
			cut = float64(h)
		}
		if was && !dark {
			return cut, float64(h)
		}
	}
	return cut, math.Inf(1)
}

// spell is one time of silence as the watcher saw it.
type spell struct {
	plan     Plan
	since    time.Time
	alarm    time.Time // zero: none
	returned time.Time // when it came back, or would have, had it not been broken
	enough   time.Time // when it had had a fifth more sun than it needs
	causes   map[Cause]int
}

// watchWinter plays one winter and judges every hour of it. When broken, the node never
// returns from its first time in the dark. sunKnown: the neighbours' harvest is known.
func watchWinter(seed uint64, broken, sunKnown bool) []spell {
	r := newRelay(seed)
	start := time.Date(2026, 11, 15, 0, 0, 0, 0, time.UTC)
	var spells []spell
	var cur *spell
	var plan Plan
	seen := 0.0
	for hour := 1; hour < winter; hour++ {
		now := start.Add(time.Duration(hour) * time.Hour)
		gain := sun(hour, r.sky[hour/24])
		wasDark := r.dark
		r.soc, r.dark = step(r.soc, r.dark, gain)
		switch {
		case r.dark && !wasDark && cur == nil:
			cur, seen = &spell{plan: plan, since: now, causes: map[Cause]int{}}, 0
		case !r.dark && wasDark && cur.returned.IsZero():
			cur.returned = now
		}
		if cur == nil {
			if hour%3 == 0 || r.soc < 0.15 {
				plan = r.plan(hour, now)
			}
			continue
		}
		if !cur.returned.IsZero() && !broken {
			spells, cur = append(spells, *cur), nil
			continue
		}
		seen += gain * (1 + 0.05*r.dice.NormFloat64())
		if cur.enough.IsZero() && seen >= 1.2*cur.plan.NeedSun {
			cur.enough = now
		}
		v := judgeAlone(now, cur, seen, sunKnown)
		if cur.causes[v.Cause]++; v.Alarm && cur.alarm.IsZero() {
			cur.alarm = now
		}
	}
	if cur != nil {
		spells = append(spells, *cur)
	}
	return spells
}

// judgeAlone judges the silence of one node whose neighbour is heard and does not hear it.
func judgeAlone(now time.Time, sp *spell, seen float64, sunKnown bool) Verdict {
	return Judge(Scene{Now: now, HouseRadio: Yes, HouseNetwork: Yes, DashboardUp: Yes, DashboardFresh: Yes, Nodes: []Sight{
		{Name: "gate", Board: Yes},
		{Name: "slipway", Board: No, Radio: No, SilentSince: sp.since, Plan: sp.plan, SunSince: seen, SunKnown: sunKnown,
			Witnesses: []Witness{{Name: "gate", Hears: No}}},
	}}).Nodes[1]
}

// TestExpectedDarkRaisesNothing: 50 winters in which the node goes dark and returns as the
// weather has it.
func TestExpectedDarkRaisesNothing(t *testing.T) {
	t.Parallel()
	count, hours := 0, 0
	for seed := range uint64(50) {
		for _, sp := range watchWinter(seed, false, true) {
			count++
			hours += sp.causes[ExpectedDark]
			if !sp.alarm.IsZero() {
				t.Errorf("winter %d: dark since %v, an alarm at %v (%v), back at %v; it had said %+v", seed, sp.since, sp.alarm, sp.causes, sp.returned, sp.plan)
			}
		}
	}
	unsure := 0
	for seed := range uint64(10) { // for the record: what the sky is worth as evidence
		for _, sp := range watchWinter(seed, false, false) {
			if !sp.alarm.IsZero() {
				unsure++
			}
		}
	}
	t.Logf("%d times dark, %d hours of it expected; without knowing the sun, %d alarms in 10 winters", count, hours, unsure)
	if count < 100 {
		t.Errorf("%d times dark are too few to show anything", count)
	}
}

// TestOverdueReturn: a node that does not return is told of within two hours of the time at
// which it was to be back at the latest, or, where the sun is known and came late, of when it
// had had enough of it and a fifth more. The fifth costs the rest of a day at the most in
// some grey weeks, and without it a grey week is taken for a fault.
func TestOverdueReturn(t *testing.T) {
	t.Parallel()
	for _, sunKnown := range []bool{false, true} {
		count := 0
		var delays []float64
		for seed := range uint64(50) {
			spells := watchWinter(seed, true, sunKnown)
			if len(spells) == 0 || spells[0].returned.IsZero() || spells[0].plan.Late.IsZero() || spells[0].plan.Chance < 0.3 || spells[0].plan.Late.After(spells[0].since.Add(20*24*time.Hour)) {
				continue // it was dark near the end of the winter
			}
			sp := spells[0]
			count++
			if sp.alarm.IsZero() {
				t.Errorf("winter %d: not back since %v, and nothing was said; it had said %+v", seed, sp.since, sp.plan)
				continue
			}
			if sunKnown && sp.alarm.Before(sp.returned) {
				t.Errorf("winter %d: an alarm at %v, before it could have been back at %v", seed, sp.alarm, sp.returned)
			}
			due := sp.plan.Late
			if sunKnown && sp.enough.After(due) {
				due = sp.enough
			}
			if delay := sp.alarm.Sub(due).Hours(); delay < 0 || delay > 2 {
				t.Errorf("winter %d: it was due at %v and the alarm came %.1f hours later", seed, due, delay)
			}
			delays = append(delays, sp.alarm.Sub(sp.plan.Late).Hours())
		}
		slices.Sort(delays)
		if count < 25 {
			t.Fatalf("%d winters are too few to show anything", count)
		}
		t.Logf("sun known %v: %d overdue returns, told %.0f hours after the latest stated time (median; at most %.0f)", sunKnown, count, delays[len(delays)/2], delays[len(delays)-1])
	}
}
