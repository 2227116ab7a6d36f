package core

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"ebbwatch/alert"
	"ebbwatch/collector"
	"ebbwatch/collector/sim"
	"ebbwatch/estimator/outlook"
)

// tenMinutes is how often the simulated site is read here.
const tenMinutes = 10 * time.Minute

// site is a simulated node at 52.75 N 6.57 E in a season, under skies as they come there, with
// charge enough that nothing else is worth a message.
func simulated(start time.Time, clearness ...float64) *sim.Site {
	spec := sim.DemoSpec(5)
	spec.Start = start
	spec.Sky = sim.NewWeather(spec.Latitude, spec.Longitude, sim.Story(spec.Latitude, spec.Longitude, start, clearness, 14), 5)
	spec.Battery.CapacityAh, spec.Battery.LabelAh = 400, 400
	return sim.New(spec)
}

// told is what came of some days: the notices, by rule and phase, when the place was doubted, and
// how many outlooks stated a chance while it was.
type told struct {
	notices  []alert.Notice
	doubted  time.Duration // since the start; 0 is never
	promised int
	snapshot map[string]float64
}

// live lives with the site for some days, the clock being wrong by some hours.
func liveAt(t *testing.T, s *sim.Site, plan Plan, days int, clock time.Duration, each func(*Core)) (out told) {
	t.Helper()
	plan.Sources = []SourcePlan{{Name: "charger", Kind: "modbus", Every: tenMinutes}}
	plan.Battery.CapacityAh, plan.Battery.CutoffVolts = 400, 11.6
	plan.Engine = alert.Engine{Rules: alert.Builtin(), Site: "slipway", Zone: time.UTC, TripHours: 1.5}
	c, start := New(plan), s.Now()
	for range days * int(24*time.Hour/tenMinutes) {
		s.Step(tenMinutes)
		now := s.Stamp()
		now.Wall = now.Wall.Add(clock)
		if err := c.Report(collector.Report{Source: "charger", At: now, Values: s.Measured()}); err != nil {
			t.Fatal(err)
		}
		for _, n := range c.Step(now) {
			out.notices = append(out.notices, n)
			if strings.HasSuffix(n.Rule, "_ahead") && c.ahead.Standing(&c.memory.Outlook) != outlook.Well {
				out.promised++
			}
		}
		if o := c.Outlook(); c.memory.Outlook.Place.Doubted {
			if out.doubted == 0 {
				out.doubted = s.Now().Sub(start)
			}
			if o.Known() {
				out.promised++
			}
		}
		if each != nil {
			each(c)
		}
	}
	out.snapshot = c.extras(c.last)
	return out
}

func (x told) count(rule string) (n int) {
	for _, got := range x.notices {
		if rule == "" && got.Rule != "belief_disagrees" || got.Rule == rule {
			n++
		}
	}
	return n
}

func placePlan(lat, lon float64) Plan {
	p := testPlan()
	p.Array.Latitude, p.Array.Longitude, p.Array.WattsPeak, p.Array.TiltDeg = lat, lon, 300, 60
	p.Engine.TripHours = 1.5
	return p
}

// Coordinates or a clock that cannot be are noticed within two days, said in one message, and
// nothing is promised from them; those that are right are never doubted.
func TestPlaceAgainstThePanelsLight(t *testing.T) {
	t.Parallel()
	july, december := time.Date(2026, 7, 2, 11, 20, 0, 0, time.UTC), time.Date(2026, 12, 5, 11, 20, 0, 0, time.UTC)
	mixed := []float64{0.5, 0.3, 0.8, 0.2, 0.1, 0.9, 0.6}
	dull := []float64{0.15, 0.1, 0.12, 0.2, 0.1, 0.15, 0.12}
	for _, x := range []struct {
		name     string
		start    time.Time
		sky      []float64
		lat, lon float64
		clock    time.Duration
		wrong    bool
		first    string // what the advice begins with
	}{
		{"right in summer", july, mixed, 52.75, 6.57, 0, false, ""},
		{"right in winter", december, mixed, 52.75, 6.57, 0, false, ""},
		{"right in dull weather", december, dull, 52.75, 6.57, 0, false, ""},
		{"an hour of summer time", july, mixed, 52.75, 6.57, time.Hour, false, ""},
		{"latitude of the other sign, summer", july, mixed, -52.75, 6.57, 0, true, "Look at the l"},
		{"latitude of the other sign, winter", december, mixed, -52.75, 6.57, 0, true, "Look at the l"},
		{"latitude of the other sign, dull winter", december, dull, -52.75, 6.57, 0, true, "Look at the l"},
		{"longitude of another continent", july, mixed, 52.75, -96.57, 0, true, "Look at the l"},
		{"latitude and longitude swapped, winter", december, mixed, 6.57, 52.75, 0, true, "Look at the l"},
		{"clock wrong by six hours, winter", december, mixed, 52.75, 6.57, 6 * time.Hour, true, "Look at the l"},
		{"clock wrong by half a day", july, mixed, 52.75, 6.57, -12 * time.Hour, true, "Look at the l"},
	} {
		t.Run(x.name, func(t *testing.T) {
			t.Parallel()
			got := liveAt(t, simulated(x.start, x.sky...), placePlan(x.lat, x.lon), 7, x.clock, nil)
			if !x.wrong {
				if got.doubted != 0 || got.count("place_doubted") != 0 || got.snapshot["place_agrees"] != 1 {
					t.Errorf("doubted after %v, agrees %g", got.doubted, got.snapshot["place_agrees"])
				}
				return
			}
			if got.doubted == 0 || got.doubted > 48*time.Hour {
				t.Fatalf("doubted after %v, want within two days", got.doubted)
			}
			if got.promised > 0 {
				t.Errorf("%d outlooks were stated from a place that is doubted", got.promised)
			}
			if n := got.count("place_doubted"); n != 1 || got.count("") != 1 {
				for _, n := range got.notices {
					t.Errorf("%s %s: %s", n.Phase, n.Rule, n.Title)
				}
			}
			for _, n := range got.notices {
				if n.Rule == "place_doubted" && (len(n.Advice) == 0 || !strings.HasPrefix(n.Advice[0], x.first)) {
					t.Errorf("advice %q, want it to begin with %q", n.Advice, x.first)
				}
			}
			if _, known := got.snapshot["sun_elevation_degrees"]; known {
				t.Error("the height of a sun of elsewhere is stated")
			}
		})
	}
}

// A corrected place begins anew: what the old one was doubted for does not stick to it.
func TestPlaceCorrected(t *testing.T) {
	t.Parallel()
	s := simulated(time.Date(2026, 7, 2, 11, 20, 0, 0, time.UTC), 0.5, 0.3, 0.8)
	var left *Core
	if got := liveAt(t, s, placePlan(-52.75, 6.57), 2, 0, func(c *Core) { left = c }); got.doubted == 0 {
		t.Fatal("the wrong place was not doubted")
	}
	right := outlook.Model{Site: placePlan(52.75, 6.57).Array}
	if got := right.Standing(&left.memory.Outlook); got != outlook.Well {
		t.Errorf("standing %d with the place corrected", got)
	}
}

// Without a word on the panel it is learned as a black box: no chance is stated and nobody is
// warned until then, and what is found is near what stands there.
func TestPanelIsLearnedAsABlackBox(t *testing.T) {
	t.Parallel()
	for _, x := range []struct {
		start         time.Time
		tilt, azimuth float64
		load          float64 // enough that the battery is not full at noon
		most          int     // days to learn
	}{
		{time.Date(2026, 7, 2, 5, 0, 0, 0, time.UTC), 60, 180, 30, 32}, {time.Date(2026, 10, 2, 5, 0, 0, 0, time.UTC), 60, 180, 30, 21},
		{time.Date(2026, 4, 2, 5, 0, 0, 0, time.UTC), 40, 250, 50, 32},
	} {
		t.Run(fmt.Sprint(x.start.Month()), func(t *testing.T) {
			t.Parallel()
			rng := rand.New(rand.NewPCG(4, 4))
			var sky []float64
			for range 60 {
				sky = append(sky, 0.1+0.9*rng.Float64())
			}
			spec := simulated(x.start, sky...).Spec()
			spec.Load.DayWatts, spec.Load.NightWatts = x.load, x.load
			spec.Panel.TiltDeg, spec.Panel.AzimuthDeg = x.tilt, x.azimuth
			s := sim.New(spec)
			plan := placePlan(52.75, 6.57)
			plan.Array.WattsPeak, plan.Array.TiltDeg, plan.Array.AzimuthDeg, plan.Array.MPPT = 0, 0, 0, false
			learned, steps := 0, 0
			got := liveAt(t, s, plan, 33, 0, func(c *Core) {
				steps++
				standing := c.ahead.Standing(&c.memory.Outlook)
				if o := c.Outlook(); standing == outlook.Learning && o.Known() {
					t.Fatal("a chance is stated while the panel is learned")
				}
				if standing == outlook.Well && learned == 0 {
					learned = steps
				}
			})
			days := learned / int(24*time.Hour/tenMinutes)
			if learned == 0 || days > x.most {
				t.Fatalf("learned after %d days (0: never), want at most %d", days, x.most)
			}
			if got.promised > 0 {
				t.Errorf("%d warnings of the dark ahead while the panel was learned", got.promised)
			}
			watts, tilt, azimuth := got.snapshot["array_watts_peak"], got.snapshot["array_tilt_degrees"], got.snapshot["array_azimuth_degrees"]
			t.Logf("after %d days: %.0f W, tilt %.0f, azimuth %.0f (300 W, %.0f, %.0f)", days, watts, tilt, azimuth, x.tilt, x.azimuth)
			if math.Abs(watts-300) > 60 || math.Abs(tilt-x.tilt) > 30 || math.Abs(math.Remainder(azimuth-x.azimuth, 360)) > 30 {
				t.Error("that is not the panel which stands there")
			}
		})
	}
}
