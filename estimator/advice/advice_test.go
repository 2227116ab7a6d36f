package advice

import (
	"math"
	"strings"
	"testing"
	"time"

	"ebbwatch/collector/reading"
	"ebbwatch/estimator/battery"
	"ebbwatch/estimator/outlook"
	"ebbwatch/estimator/sun"
)

// slipway is a node after two dull weeks in December, on a Saturday at 18 h.
func slipway(t *testing.T, soc float64) Question {
	t.Helper()
	m := outlook.Model{
		Site: outlook.Site{
			Latitude: 52.75, Longitude: 6.57, WattsPeak: 240, TiltDeg: 30, AzimuthDeg: 180, MPPT: true, Zone: time.UTC,
			Insolation: []float64{0.6, 1.2, 2.4, 4.0, 5.0, 5.3, 5.0, 4.3, 3.0, 1.7, 0.8, 0.5},
		},
		Battery: battery.Battery{CapacityAh: 100, Cells: 4, Reserve: 0.2, CutoffVolts: 11.6},
	}
	b := battery.Belief{SoC: soc, Low: soc - 0.04, High: soc + 0.04, SoCSD: 0.025, UsableAh: 95, UsableAhSD: 3, MilliOhms: math.NaN()}
	s := m.Start()
	from := time.Date(2024, 11, 30, 18, 0, 0, 0, time.UTC)
	for i := range 14 * 96 {
		d := time.Duration(i) * 15 * time.Minute
		r := reading.Reading{Stamp: reading.Stamp{Mono: d + time.Hour, Wall: from.Add(d), Trusted: true}}
		sky := sun.Look(from.Add(d), 52.75, 6.57, 0)
		r.Set(reading.BatteryVolts, 13.1)
		r.Set(reading.LoadWatts, 10)
		r.Set(reading.PanelWatts, 0.25*240*sky.Clear/1000)
		s = m.Step(s, r, b)
	}
	return Question{Model: m, State: &s, Belief: b, Now: from.Add(14 * 24 * time.Hour), Seed: 3, TripHours: 1.5}
}

func TestPricesBuySomething(t *testing.T) {
	t.Parallel()
	q := slipway(t, 0.55)
	offers := Prices(q)
	seen := map[Kind]Offer{}
	for i, o := range offers {
		if o.After > o.Before+0.02 || o.DarkAvoided < -1 || o.HoursGained < -1 {
			t.Errorf("%s makes it worse: %+v", o.Text, o)
		}
		if i > 0 && o.Sacrifice < offers[i-1].Sacrifice {
			t.Errorf("%q is less of a sacrifice than what comes before it", o.Text)
		}
		seen[o.Kind] = o
	}
	for _, k := range []Kind{Shed, Clean, TopUp, Battery, Panel} {
		if _, ok := seen[k]; !ok {
			t.Errorf("no price for %s", k)
		}
	}
	if _, ok := seen[Uncover]; ok {
		t.Error("a panel that is not covered is to be cleared")
	}
	// 240 Wh feed 10 W for 24 h: more where they carry the node over to a brighter day,
	// less where the week ends first.
	if g := seen[TopUp].HoursGained; g < 12 || g > 36 {
		t.Errorf("240 Wh bought %.1f h of a 10 W load", g)
	}
	if a, b := seen[Battery].After, seen[TopUp].After; a > b {
		t.Errorf("a full second battery leaves %.2f, 240 Wh leave %.2f", a, b)
	}
	if !strings.Contains(seen[Shed].Line(), "half of the load off all day until") || !strings.Contains(seen[Shed].Line(), "→") {
		t.Errorf("a line for people: %q", seen[Shed].Line())
	}
}

func TestBestIsTheLeastThatMeetsTheBudget(t *testing.T) {
	t.Parallel()
	a, b, c := Offer{Kind: Shed, Text: "a", Before: 0.7}, Offer{Kind: Shed, Text: "b", Before: 0.7}, Offer{Kind: TopUp, Text: "c", Before: 0.7}
	for _, x := range []struct {
		after [3]float64
		want  string
	}{{[3]float64{0.3, 0.08, 0.01}, "b"}, {[3]float64{0.3, 0.2, 0.01}, "c"}, {[3]float64{0.3, 0.2, 0.25}, "b"}, {[3]float64{0.09, 0.08, 0.01}, "a"}} {
		a.After, b.After, c.After = x.after[0], x.after[1], x.after[2]
		if got, ok := Best([]Offer{a, b, c}); !ok || got.Text != x.want {
			t.Errorf("chances %v: got %q %v, want %q", x.after, got.Text, ok, x.want)
		}
	}
	if o, ok := Best([]Offer{{Kind: Shed, Before: 0.02, After: 0.02}}); ok {
		t.Errorf("nothing to gain, yet %+v", o)
	}
}

func TestActByIsSensible(t *testing.T) {
	t.Parallel()
	q := slipway(t, 0.55)
	for _, o := range Prices(q) {
		if !o.Trip {
			if o.ActBy.Before(q.Now) || o.ActBy.Sub(q.Now) > 24*time.Hour {
				t.Errorf("%s from %v, asked at %v", o.Text, o.ActBy, q.Now)
			}
			continue
		}
		for _, when := range []time.Time{o.ActBy, o.ActBy.Add(90 * time.Minute)} {
			if sun.Elevation(when, 52.75, 6.57) < -0.5 {
				t.Errorf("%s: sent out in the dark at %v", o.Text, when)
			}
		}
	}
}

func TestNoTripWithoutASensibleMoment(t *testing.T) {
	t.Parallel()
	q := slipway(t, 0.55)
	q.Model.Site.Latitude = 70 // in December the sun stays below the horizon
	for _, o := range Prices(q) {
		if o.Trip {
			t.Errorf("sent out for %q", o.Text)
		}
	}
}
