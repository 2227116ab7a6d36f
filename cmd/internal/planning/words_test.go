package planning

import (
	"math"
	"strings"
	"testing"

	"ebbwatch/estimator/plan"
	"ebbwatch/estimator/plan/radio"
	"ebbwatch/estimator/plan/wiring"
	"ebbwatch/estimator/sun"
)

func TestHourSpans(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		in       string
		from, to int
		ok       bool
	}{
		{"06-22", 6, 22, true}, {"22-06", 22, 6, true}, {"18-24", 18, 0, true}, {"0-5", 0, 5, true}, {" 7 - 9 ", 7, 9, true},
		{"0-24", 0, 0, false}, {"6-6", 0, 0, false}, {"24-3", 0, 0, false}, {"6", 0, 0, false}, {"6-25", 0, 0, false}, {"-1-4", 0, 0, false}, {"a-b", 0, 0, false},
	} {
		from, to, ok := hourSpan(c.in)
		if ok != c.ok || ok && (from != c.from || to != c.to) {
			t.Errorf("%q: %d to %d, %v", c.in, from, to, ok)
		}
	}
}

func TestWords(t *testing.T) {
	t.Parallel()
	for az, want := range map[float64]string{0: "north", 22: "north", 23: "north-east", 90: "east", 180: "south", 200: "south", 225: "south-west", 350: "north", 360: "north"} {
		if got := sun.Compass(az); got != want {
			t.Errorf("%g° is %s, want %s", az, got, want)
		}
	}
	for x, want := range map[float64]string{0: "0 %", 0.00005: "under 0.01 %", 0.003: "0.30 %", 0.0851: "8.5 %", 1: "100.0 %"} {
		if got := Percent(x); got != want {
			t.Errorf("%g is %s, want %s", x, got, want)
		}
	}
	for n, want := range map[int]string{12: "12 AWG", 0: "1/0 AWG", -3: "4/0 AWG"} {
		if got := gauge(n); got != want {
			t.Errorf("gauge %d is %s, want %s", n, got, want)
		}
	}
	if got := want(wiring.Verdict{}, Cable{}); got != "more than 35 mm²" {
		t.Errorf("no section is %q", got)
	}
	if got := want(wiring.Verdict{NextMM2: 2.5, NextAWG: 12, AWGOK: true}, Cable{MM2: 1}); got != "2.5 mm² or 12 AWG" {
		t.Errorf("a section is %q", got)
	}
	if got := want(wiring.Verdict{Fine: true, Carries: true, NextMM2: 4}, Cable{MM2: 10}); got != "10 mm² as drawn" {
		t.Errorf("a drawn cable that does is %q", got)
	}
	if finite(math.NaN()) != 0 || finite(math.Inf(1)) != 0 || finite(2) != 2 {
		t.Error("finite")
	}
	if got := tie("carries 5.3 W at 1 % dark; 38 dark nights"); got != "carries 5.3\u00a0W at 1\u00a0% dark; 38\u00a0dark nights" {
		t.Errorf("tied %q", got)
	}
	if got := list([]float64{0.5, 1.25}, 2); got != "[0.50, 1.25]" {
		t.Errorf("list %q", got)
	}
}

// The cheapest mend: what costs nothing comes first, then the cheapest pair.
func TestMend(t *testing.T) {
	t.Parallel()
	pairs := []plan.Pair{{Watts: 480, Ah: 210, Cost: 900}, {Watts: 680, Ah: 140, Cost: 780, Best: true}}
	priced := plan.Prices{PanelWatt: 0.5, BatteryAh: 3}
	for _, c := range []struct {
		name   string
		r      Report
		p      plan.Prices
		want   string
		refuse string
	}{
		{"free", Report{Frontier: pairs, Effects: []plan.Effect{{Name: "twice the panel", Mends: true, Cost: 100}, {Name: "one watt less", Mends: true, Free: true, LLP: 0.009}}}, priced, "Cheapest: one watt less; then 0.90 % of the year is dark.", ""},
		{"a hill cannot be moved", Report{Frontier: pairs, Effects: []plan.Effect{{Name: "no obstacle before the panel", Mends: true, Free: true}}}, priced, "680 W of panel with 140 Ah (780 EUR for both)", "obstacle"},
		{"without prices", Report{Frontier: pairs}, plan.Prices{}, "give prices to compare", "EUR"},
		{"nothing", Report{Carried: 3.2}, priced, "bring the load down to 3.2 W", ""},
	} {
		c.r.Currency = "EUR"
		got := c.r.mend(c.p)
		if !strings.Contains(got, c.want) || c.refuse != "" && strings.Contains(got, c.refuse) {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
}

// A better aim is told first: it costs nothing. A kit that looks the best way is told so.
func TestAimInWords(t *testing.T) {
	t.Parallel()
	best := plan.Aim{TiltDeg: 75, AzimuthDeg: 180, LLP: 0.008, Best: true}
	r := &Report{Aims: []plan.Aim{{TiltDeg: 30, AzimuthDeg: 90, LLP: 0.05}, best}, Target: 0.01, Outcome: plan.Outcome{LLP: 0.03, LLPError: 0.002}}
	if got, want := r.mend(plan.Prices{}), "Cheapest: panel at 75°, facing south; then 0.80 % of the year is dark."; got != want {
		t.Errorf("%q, want %q", got, want)
	}
	if got, want := r.aimed(), "Best here: panel at 75°, facing south, then 0.80 % of the year is dark; as it stands 3.0 %."; got != want {
		t.Errorf("%q, want %q", got, want)
	}
	r.Outcome.LLP = 0.0085
	if got := r.aimed(); !strings.Contains(got, "as good as any") {
		t.Errorf("%q", got)
	}
	if got := (&Report{}).aimed(); got != "" {
		t.Errorf("without aims %q", got)
	}
}

// The pair is held against the price of the sun.
func TestPairAgainstTheSun(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name   string
		meters float64
		mm2    float64
		volts  float64
		price  float64
		want   []string
	}{
		{"the pair is cheaper", 60, 2.5, 48, 5, []string{"the pair is the better buy", "costs about 300 EUR"}},
		{"the sun is cheaper", 300, 2.5, 48, 9, []string{"the sun is the better buy"}},
		{"no price", 100, 2.5, 48, 0, []string{"never dark in January", "fibre"}},
		{"thin", 400, 1.5, 48, 0, []string{"For 5 % of drop take"}},
		{"hopeless", 200, 1, 12, 0, []string{"do not go through this cable"}},
	} {
		r := &Report{Currency: "EUR", Loads: []LoadLine{{Worst: 21}}, Frontier: []plan.Pair{{Cost: 780, Best: true}}}
		d := Drawing{Assume: Assume{Pair: &Pair{Cable: Cable{Meters: c.meters, MM2: c.mm2}, Volts: c.volts}}, Prices: Prices{TrenchM: c.price}}
		got := r.pair(d)
		for _, want := range c.want {
			if !strings.Contains(got.Says, want) {
				t.Errorf("%s: %q, want %q", c.name, got.Says, want)
			}
		}
	}
}

// What is wrong with cables and steps comes out in the report, in words.
func TestWiringInTheReport(t *testing.T) {
	t.Parallel()
	c, d := parse(t, small+`
loads: [{name: radio, watts: 8}]
wiring:
  stop_volts: 11.5
  runs:
    - {name: thin, meters: 12, mm2: 1, watts: 40, fuse: 30}
    - {name: none, meters: 2, awg: 10, amps: 5}
    - {name: panel, meters: 5, mm2: 4, amps: 8, volts: 18, no_fuse: true}
    - {name: hopeless, meters: 300, mm2: 0.5, watts: 60, fuse: 5}
    - {name: hot, meters: 2, awg: 12, amps: 25, volts: 12}
`)
	w := wires(d, c)
	all := map[string]string{}
	for _, r := range w.Runs {
		all[r.Name] = strings.Join(r.Problems, "; ")
	}
	for name, want := range map[string]string{"thin": "does not protect 1 mm²", "none": "no fuse is drawn", "hopeless": "cannot be fed"} {
		if !strings.Contains(all[name], want) {
			t.Errorf("%s: %q, want %q", name, all[name], want)
		}
	}
	if all["panel"] != "" || w.Runs[2].Fuse != "none needed" || w.Runs[1].Size != "10 AWG" {
		t.Errorf("%+v", w.Runs)
	}
	if w.Runs[4].Fuse != "none fits this wire" {
		t.Errorf("a fuse for a wire that is too thin: %q", w.Runs[4].Fuse)
	}
	if got := clearance(radio.Verdict{Clear: -0.2}); !strings.HasPrefix(got, "no:") || clearance(radio.Verdict{Clear: 0.604}) != "60 %" {
		t.Errorf("a line through the ground is %q", got)
	}
	ladder := strings.Join(w.Ladder, "; ")
	for _, want := range []string{"the clean stop at 11.5 V does not come before the controller's disconnect at 11.6 V", "is not known: look it up"} {
		if !strings.Contains(ladder, want) {
			t.Errorf("the ladder %q lacks %q", ladder, want)
		}
	}
	if len(w.Steps) != 2 {
		t.Errorf("steps %+v", w.Steps)
	}
}
