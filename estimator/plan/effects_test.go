package plan

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"ebbwatch/estimator/sun"
)

// cold is the air of a lowland at 52 degrees north, °C (rounded).
func cold() []float64 {
	return []float64{2.7, 3.0, 5.7, 9.1, 12.8, 15.3, 17.5, 17.2, 13.9, 10.1, 6.3, 3.3}
}

func coldKit(change func(*Kit)) *Kit {
	k := aKit(52.75, 6.57, lowland(), cold())
	k.Weather.SnowDays = []float64{2, 2, 0, 0, 0, 0, 0, 0, 0, 0, 0, 1}
	if change != nil {
		change(k)
	}
	return k
}

// Each change does what it must: less load helps, shedding on a forecast lies between never
// and always, a warm battery takes what a cold one refuses, trees cost.
func TestEffectsPointTheRightWay(t *testing.T) {
	t.Parallel()
	y := coldKit(nil).Prepare(1)
	years := y.Synthetic(40, 3)
	base := y.LLP(years, Try{})
	seen := 0
	calls := 0
	by := map[string]Effect{}
	for _, e := range y.Effects(years, Prices{PanelWatt: 1, BatteryAh: 3}, func(done, of int) { calls++ }) {
		by[e.Name] = e
		if e.Mends != (e.LLP <= y.kit.Target) {
			t.Errorf("%s: %.4f, mends %v", e.Name, e.LLP, e.Mends)
		}
		seen++
	}
	if calls != seen || seen < 9 {
		t.Errorf("%d effects, %d steps of progress", seen, calls)
	}
	for name, better := range map[string]bool{
		"one watt less": true, "what may be shed is off from 00 to 06 h": true, "the same, only when the forecast asks for it": true,
		"the battery kept at 5 °C or above": true, "half as much panel again": true, "twice the panel": true, "twice the battery": true,
		"trees of 15° all round": false, "a PWM charger instead": false,
	} {
		e, ok := by[name]
		if !ok {
			t.Errorf("no effect is called %q", name)
			continue
		}
		if better != (e.LLP < base) {
			t.Errorf("%s: %.4f against %.4f", name, e.LLP, base)
		}
	}
	fixed, forecast := by["what may be shed is off from 00 to 06 h"], by["the same, only when the forecast asks for it"]
	if forecast.LLP < fixed.LLP-0.003 {
		t.Errorf("shedding on a forecast leaves %.4f, every night %.4f", forecast.LLP, fixed.LLP)
	}
	// Less load does not make the kit carry more.
	if as, less := y.Carried(years, Try{}), by["one watt less"].Carried; math.Abs(as-less) > 0.25 {
		t.Errorf("it carries %.2f W, with one watt less %.2f", as, less)
	}
	if c := by["twice the panel"].Cost; c != 240 {
		t.Errorf("twice the panel costs %g", c)
	}
}

// Every pair on the frontier reaches the target, and less battery would not; more panel
// wants less battery.
func TestFrontier(t *testing.T) {
	t.Parallel()
	y := someYear(nil)
	years := y.Synthetic(30, 2)
	pairs := y.Frontier(years, Try{}, Prices{PanelWatt: 0.5, BatteryAh: 3}, nil)
	if len(pairs) < 4 {
		t.Fatalf("only %d pairs", len(pairs))
	}
	best := 0
	for i, p := range pairs {
		if p.LLP > y.kit.Target {
			t.Errorf("%+v does not reach %.3f", p, y.kit.Target)
		}
		less := y.LLP(years, Try{Panel: p.Watts / 240, Battery: (p.Ah*0.93 - 6) / 80})
		// No pair charges its battery faster than it may: 0.5 of its capacity an hour.
		floor := y.kit.LeastAh(p.Watts)
		if amps := 0.88 * p.Watts / 13; p.Ah < floor || amps > 0.5*p.Ah+1e-9 {
			t.Errorf("%+v charges with %.1f A", p, amps)
		}
		if less < y.kit.Target*0.97 && p.Ah > 1.05*floor+5 {
			t.Errorf("%+v: less battery loses only %.4f", p, less)
		}
		if i > 0 && (p.Watts <= pairs[i-1].Watts || p.Ah >= pairs[i-1].Ah) {
			t.Errorf("%+v after %+v", p, pairs[i-1])
		}
		if p.Best {
			best++
		}
		if math.Abs(p.Cost-0.5*p.Watts-3*p.Ah) > 1e-6 {
			t.Errorf("%+v costs %g", p, p.Cost)
		}
	}
	if best != 1 {
		t.Errorf("%d pairs are the best", best)
	}
	cheapest := slices.MinFunc(pairs, func(a, b Pair) int { return int(a.Cost - b.Cost) })
	if !cheapest.Best && math.Abs(cheapest.Cost-bestOf(pairs).Cost) > 1 {
		t.Errorf("%+v is cheaper than the best", cheapest)
	}
	hopeless := someYear(func(k *Kit) {
		for h := range k.Load.Watts {
			k.Load.Watts[h] = 900
		}
	})
	if none := hopeless.Frontier(years[:5], Try{}, Prices{}, nil); len(none) > 0 {
		t.Errorf("900 W on a panel of 240 W: %+v", none)
	}
}

func bestOf(pairs []Pair) Pair {
	return pairs[slices.IndexFunc(pairs, func(p Pair) bool { return p.Best })]
}

// What is carried is lost at the target and no more.
func TestCarried(t *testing.T) {
	t.Parallel()
	y := someYear(nil)
	years := y.Synthetic(40, 2)
	w := y.Carried(years, Try{})
	if w <= 1 || w >= 10 {
		t.Fatalf("it carries %.2f W", w)
	}
	if llp := y.LLP(years, Try{Load: w / 10}); llp > 0.01 {
		t.Errorf("%.2f W lose %.4f", w, llp)
	}
	if llp := y.LLP(years, Try{Load: w * 1.03 / 10}); llp <= 0.01 {
		t.Errorf("%.2f W lose only %.4f", w*1.03, llp)
	}
}

func TestTornadoIsSorted(t *testing.T) {
	t.Parallel()
	k := coldKit(nil)
	swings := k.Tornado(30, 1, nil)
	if len(swings) != 8 {
		t.Fatalf("%d doubts", len(swings))
	}
	last := math.Inf(1)
	for _, s := range swings {
		x := math.Abs(s.AtLow - s.AtHigh)
		if x > last {
			t.Errorf("%s swings by %.0f after %.0f", s.Name, x, last)
		}
		last = x
		if s.AtLow < s.AtHigh {
			t.Errorf("%s: the unkind end has %.0f dark hours, the kind one %.0f", s.Name, s.AtLow, s.AtHigh)
		}
	}
	if len(k.Weather.SnowDays) != 12 || k.Weather.SnowDays[0] != 2 || k.Weather.AirCelsius[0] != 2.7 {
		t.Error("the doubts changed the kit")
	}
}

// The verdict is one sentence with the three numbers that matter.
func TestVerdict(t *testing.T) {
	t.Parallel()
	k := aKit(52.75, 6.57, lowland(), nil)
	winter := Outcome{LLP: 0.05, NightMean: 34}
	winter.Months[11].DarkMean, winter.Months[0].DarkMean, winter.Months[1].DarkMean = 100, 90, 5
	january := Outcome{LLP: 0.02, NightMean: 5}
	january.Months[0].DarkMean = 40
	always := Outcome{LLP: 0.6, NightMean: 300}
	for m := range always.Months {
		always.Months[m].DarkMean = 400
	}
	for _, c := range []struct {
		o    Outcome
		w    float64
		want string
	}{
		{winter, 6, "this kit carries 6.0 W through the year at 1 % dark; you draw 10 W: expect some 34 dark nights a year, nearly all from December to January"},
		{january, 8.04, "this kit carries 8.0 W through the year at 1 % dark; you draw 10 W: expect about 5 dark nights a year, nearly all in January"},
		{always, 0.4, "this kit carries 0.4 W through the year at 1 % dark; you draw 10 W: expect some 300 dark nights a year, at any time of the year"},
		{Outcome{}, 22, "this kit carries 22 W through the year at 1 % dark; you draw 10 W: it stays lit"},
		{Outcome{LLP: 0.003, NightMean: 1.2}, 11, "this kit carries 11 W through the year at 1 % dark; you draw 10 W: it stays lit but for one dark night a year"},
	} {
		if got := k.Verdict(c.o, c.w); got != c.want {
			t.Errorf("%q\nwant %q", got, c.want)
		}
	}
}

// A horizon is drawn straight between its corners, round the compass.
func TestHorizon(t *testing.T) {
	t.Parallel()
	corners := []Obstacle{{90, 10}, {180, 20}, {270, 0}}
	for az, want := range map[float64]float64{90: 10, 135: 15, 180: 20, 225: 10, 270: 0, 0: 5, 45: 7.5} {
		if got := top(corners, az); math.Abs(got-want) > 1e-9 {
			t.Errorf("at %g° it stands %.2f°, want %g", az, got, want)
		}
	}
	if top(nil, 10) != 0 || top([]Obstacle{{0, 7}}, 123) != 7 {
		t.Error("no corner and one corner")
	}
	free, hill := coldKit(nil).Prepare(1), coldKit(func(k *Kit) { k.Weather.Horizon = []Obstacle{{120, 30}, {240, 30}, {250, 0}, {110, 0}} }).Prepare(1)
	years := free.Synthetic(10, 1)
	a, b := free.Gather(years, free.Run(years, Try{})), hill.Gather(years, hill.Run(years, Try{}))
	if winter := b.Months[11].Possible / a.Months[11].Possible; winter > 0.85 || winter < 0.2 {
		t.Errorf("a hill of 30° to the south leaves %.2f of December", winter)
	}
	if summer := b.Months[5].Possible / a.Months[5].Possible; summer < 0.95 {
		t.Errorf("a hill of 30° to the south leaves %.2f of June", summer)
	}
}

// Snow covers the panel as many days as was said, in runs.
func TestSnowDays(t *testing.T) {
	t.Parallel()
	y := coldKit(func(k *Kit) { k.Weather.SnowDays = []float64{6, 6, 6, 6, 6, 6, 6, 6, 6, 6, 6, 6} }).Prepare(1)
	covered, runs := 0, 0
	for _, w := range y.Synthetic(100, 1) {
		for d := range Days {
			if w.Cover[d] {
				covered++
				if d == 0 || !w.Cover[d-1] {
					runs++
				}
			}
		}
	}
	if got := float64(covered) / 100; math.Abs(got-72) > 4 {
		t.Errorf("%.1f days a year under snow, want 72", got)
	}
	if got := float64(covered) / float64(runs); math.Abs(got-snowRun) > 0.3 {
		t.Errorf("runs of %.2f days, want %.1f", got, snowRun)
	}
}

// Drawn temperatures keep the months' means, and their spread that of the fit.
func TestDrawnAir(t *testing.T) {
	t.Parallel()
	y := coldKit(nil).Prepare(1)
	var sum, square, n [12]float64
	for _, w := range y.Synthetic(300, 1) {
		for d := range Days {
			m := y.month[d]
			x := float64(w.Celsius[d])
			sum[m], square[m], n[m] = sum[m]+x, square[m]+(x-y.air[d])*(x-y.air[d]), n[m]+1
		}
	}
	for m, want := range cold() {
		if got := sum[m] / n[m]; math.Abs(got-want) > 0.4 {
			t.Errorf("month %d has %.2f °C, want %.1f", m+1, got, want)
		}
	}
	// Standard deviations at the station that it was fitted to: January 4.34, July 2.92 K.
	for m, want := range map[int]float64{0: 4.34, 6: 2.92} {
		if got := math.Sqrt(square[m] / n[m]); math.Abs(got-want) > 0.25 {
			t.Errorf("month %d spreads by %.2f K, want %.1f", m+1, got, want)
		}
	}
}

// Everything that a plan rests on is listed with its source, the missing as missing.
func TestAssumed(t *testing.T) {
	t.Parallel()
	for _, k := range []*Kit{coldKit(nil), aKit(10, 10, nil, nil)} {
		all := k.Assumed()
		for _, a := range all {
			if a.What == "" || a.Value == "" || a.Source == "" {
				t.Errorf("%+v", a)
			}
		}
		if len(all) < 9 {
			t.Errorf("only %d assumptions", len(all))
		}
	}
	text := ""
	for _, a := range aKit(10, 10, nil, nil).Assumed() {
		text += a.Value
	}
	for _, want := range []string{"not known", "rough guess"} {
		if !strings.Contains(text, want) {
			t.Errorf("what is missing is not said: %q", want)
		}
	}
}

// Examples 9 and 18 of FAO paper 56 (Allen et al. 1998) and the column H0 of Duffie &
// Beckman's example 2.19.1, through package sun.
func TestSunOfThePublishedExamples(t *testing.T) {
	t.Parallel()
	if ra := sun.DailyExtraterrestrial(187, 50.8) * 3.6 * (0.0820e6 / 60 / 1367); math.Abs(ra-41.09) > 0.1 {
		t.Errorf("example 18: Ra %.2f MJ, want 41.09", ra)
	}
	n, midnight := 0.0, time.Date(2015, 9, 3, 0, 0, 0, 0, time.UTC)
	for minute := range 24 * 60 {
		if sun.Elevation(midnight.Add(time.Duration(minute)*time.Minute), -20, 0) > 0 {
			n += 1.0 / 60
		}
	}
	if math.Abs(n-11.67) > 0.05 {
		t.Errorf("example 9: N %.3f h, want 11.67", n)
	}
	days := []int{17, 47, 75, 105, 135, 162, 198, 228, 258, 288, 318, 344}
	for i, want := range []float64{13.37, 18.81, 26.03, 33.78, 39.42, 41.78, 40.56, 35.92, 28.80, 20.90, 14.62, 11.91} {
		if got := sun.DailyExtraterrestrial(days[i], 43) * 3.6; math.Abs(got-want) > 0.012*want {
			t.Errorf("H0 on day %d is %.2f MJ, want %.2f", days[i], got, want)
		}
	}
}
