package survey

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"ebbwatch/collector/reading"
	"ebbwatch/collector/sim"
)

// bench is a simulated node whose map may be wrong.
type bench struct {
	site *sim.Site
	lie  map[reading.Quantity]float64 // factor between truth and what the map says
	hide []reading.Quantity
}

func newBench(hour int, lie map[reading.Quantity]float64) *bench {
	spec := sim.DemoSpec(1)
	spec.Sensors.Errors = sim.UsualErrors()
	spec.Battery.StartSoC, spec.Load.Flutter = 0.4, 0.02
	s := sim.New(spec)
	s.Step(time.Duration(hour) * time.Hour)
	return &bench{site: s, lie: lie}
}

func (b *bench) Read(context.Context) ([]reading.Value, error) {
	var out []reading.Value
	for _, v := range b.site.Measured() {
		hidden := false
		for _, q := range b.hide {
			hidden = hidden || q == v.Quantity
		}
		if f, lies := b.lie[v.Quantity]; lies {
			v.X *= f
		}
		if !hidden {
			out = append(out, v)
		}
	}
	return out, nil
}

// owner answers the kick test's questions and does what they ask.
type owner struct {
	b      *bench
	watts  string
	place  string
	past   bool // the load is really wired past the meters
	listen []string
}

func (o *owner) Say(line string) { o.listen = append(o.listen, line) }

func (o *owner) Ask(prompt string) (string, error) {
	load := func(w float64) {
		o.b.site.Plug(w, o.past)
	}
	switch {
	case strings.HasPrefix(prompt, "A load"):
		return o.watts, nil
	case strings.HasPrefix(prompt, "Does it hang"):
		return o.place, nil
	case strings.HasPrefix(prompt, "Switch the load of 20 W on"):
		load(20)
	case strings.HasPrefix(prompt, "Switch the load of 20 W off"):
		load(0)
	case strings.HasPrefix(prompt, "Cover"):
		o.b.site.Cover(1)
	case strings.HasPrefix(prompt, "Uncover"):
		o.b.site.Cover(0)
	default:
		return "", errors.New("not understood: " + prompt)
	}
	return "", nil
}

// kickAll runs the whole kick test on a bench in simulated time.
func kickAll(t *testing.T, o *owner) ([]KickResult, map[reading.Quantity]Proof) {
	t.Helper()
	s := &Survey{Talk: o, Now: o.b.site.Now, Wait: func(ctx context.Context, d time.Duration) error {
		o.b.site.Step(d)
		return ctx.Err()
	}}
	results, err := s.Kick(t.Context(), o.b, 300)
	if err != nil {
		t.Fatal(err)
	}
	proofs := map[reading.Quantity]Proof{}
	for _, v := range Sum(results) {
		proofs[v.Quantity] = v.Proof
		t.Log(v)
	}
	return results, proofs
}

func TestKickTestOnATrueMap(t *testing.T) {
	t.Parallel()
	_, proofs := kickAll(t, &owner{b: newBench(2, nil), watts: "20 W", place: "output"})
	for _, q := range []reading.Quantity{
		reading.BatteryAmps, reading.PanelAmps, reading.PanelWatts, reading.ChargeAmps, reading.LoadAmps, reading.LoadWatts, reading.BatteryVolts, reading.PanelVolts,
	} {
		if proofs[q] != Confirmed {
			t.Errorf("%s: %s, want confirmed", q, proofs[q])
		}
	}
	for q, p := range proofs {
		if p == Contradicted {
			t.Errorf("%s of a true map is contradicted", q)
		}
	}
}

func TestKickTestRefutesWrongLines(t *testing.T) {
	t.Parallel()
	for name, lie := range map[string]struct {
		q   reading.Quantity
		by  float64
		why string
	}{
		"battery current turned round": {reading.BatteryAmps, -1, "the sign is wrong"},
		"load ten times too large":     {reading.LoadAmps, 10, "10 times too much"},
		"load hundred times too small": {reading.LoadWatts, 0.01, ""},
		"panel volts turned round":     {reading.PanelVolts, -1, "the wrong way"},
		"panel watts ten times":        {reading.PanelWatts, 10, "10 times too much"},
		"panel watts a tenth":          {reading.PanelWatts, 0.1, "10 times too little"},
		"panel amperes ten times":      {reading.PanelAmps, 10, "10 times too much"},
		"charging current a tenth":     {reading.ChargeAmps, 0.1, "10 times too little"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			results, proofs := kickAll(t, &owner{b: newBench(2, map[reading.Quantity]float64{lie.q: lie.by}), watts: "20", place: "output"})
			if proofs[lie.q] != Contradicted {
				t.Errorf("%s: %s, want contradicted", lie.q, proofs[lie.q])
			}
			said := false
			for _, v := range Sum(results) {
				said = said || v.Quantity == lie.q && strings.Contains(v.Why, lie.why)
			}
			if !said {
				t.Errorf("nobody says %q", lie.why)
			}
		})
	}
}

// Where the panel's power stands alone, a kick shows its direction and nothing of its size: that
// is no proof, whether the map is right or ten times out; the label can refute it.
func TestKickTestOfAPowerAlone(t *testing.T) {
	t.Parallel()
	for _, by := range []float64{0.1, 1, 10} {
		b := newBench(5, map[reading.Quantity]float64{reading.PanelWatts: by})
		b.hide = []reading.Quantity{reading.ChargeAmps, reading.PanelAmps, reading.BatteryAmps}
		_, proofs := kickAll(t, &owner{b: b, watts: ""})
		want := NotSeen
		if lit := b.site.Truth().PanelWatts * by; lit > 1.6*300+20 {
			want = Contradicted
		}
		if proofs[reading.PanelWatts] != want {
			t.Errorf("pv_watts of %g times: %s, want %s", by, proofs[reading.PanelWatts], want)
		}
	}
}

// A constant in place of the load's current must be refuted, by night too.
func TestKickTestRefutesAConstant(t *testing.T) {
	t.Parallel()
	still := Sample{reading.BatteryVolts: 13.2, reading.BatteryAmps: -1.0, reading.LoadAmps: 1.44, reading.PanelAmps: 0}
	after := Sample{reading.BatteryVolts: 13.1, reading.BatteryAmps: -2.5, reading.LoadAmps: 1.44, reading.PanelAmps: 0}
	r := Judge(Kick{LoadOn, 20, AtOutput}, []Sample{still, still}, []Sample{after, after})
	for _, v := range r.Verdicts {
		want := map[reading.Quantity]Proof{reading.BatteryAmps: Confirmed, reading.LoadAmps: Contradicted, reading.BatteryVolts: Confirmed}[v.Quantity]
		if want == "" {
			want = NotSeen
		}
		if v.Proof != want {
			t.Errorf("%v, want %s", v, want)
		}
	}
	if r.Bypass {
		t.Error("the battery's current moved: nothing passes by")
	}
}

func TestKickTestFindsLoadsPastTheMeters(t *testing.T) {
	t.Parallel()
	for _, place := range []string{"battery", "output"} {
		results, proofs := kickAll(t, &owner{b: newBench(2, nil), watts: "20", place: place, past: true})
		bypass := false
		for _, r := range results {
			bypass = bypass || r.Bypass
		}
		if !bypass {
			t.Errorf("%s: 20 W pass the meters by and nobody says so", place)
		}
		if place == "battery" && proofs[reading.BatteryAmps] != Confirmed { // by the panel
			t.Errorf("battery_amps: %s, want confirmed by the panel", proofs[reading.BatteryAmps])
		}
	}
	results, _ := kickAll(t, &owner{b: newBench(2, nil), watts: "20", place: "output"})
	for _, r := range results {
		if r.Bypass {
			t.Errorf("%v: a metered load is said to pass by", r.Kick)
		}
	}
}

func TestKickTestByNightLeavesThePanelOpen(t *testing.T) {
	t.Parallel()
	_, proofs := kickAll(t, &owner{b: newBench(14, nil), watts: "20", place: "output"})
	if proofs[reading.PanelAmps] != NotSeen || proofs[reading.LoadAmps] != Confirmed || proofs[reading.BatteryAmps] != Confirmed {
		t.Errorf("by night: %v", proofs)
	}
}

func TestKickTestWithFewQuantities(t *testing.T) {
	t.Parallel()
	b := newBench(2, nil)
	b.hide = []reading.Quantity{reading.ChargeAmps, reading.PanelWatts, reading.PanelAmps, reading.LoadAmps, reading.LoadWatts}
	_, proofs := kickAll(t, &owner{b: b, watts: "20", place: "output"})
	if proofs[reading.BatteryAmps] != Confirmed {
		t.Errorf("battery_amps alone: %s, want confirmed", proofs[reading.BatteryAmps])
	}
}

type failing struct{}

func (failing) Read(context.Context) ([]reading.Value, error) { return nil, errors.New("no answer") }

func TestKickTestSaysWhyItCannot(t *testing.T) {
	t.Parallel()
	o := &owner{b: newBench(2, nil), watts: "lots"}
	s := &Survey{Talk: o, Wait: func(ctx context.Context, _ time.Duration) error { return ctx.Err() }}
	if _, err := s.Kick(t.Context(), o.b, 300); err == nil || err.Error() != `cannot use "lots": it must be watts above 0` {
		t.Errorf("got %v", err)
	}
	o.watts = ""
	if _, err := s.Kick(t.Context(), failing{}, 0); err == nil || err.Error() != "cannot read any quantity of the map: no answer" {
		t.Errorf("got %v", err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := s.Kick(ctx, o.b, 0); !errors.Is(err, context.Canceled) {
		t.Errorf("got %v", err)
	}
}
