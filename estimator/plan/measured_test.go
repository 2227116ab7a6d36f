package plan

import (
	"math"
	"testing"
	"time"

	"ebbwatch/estimator"
	"ebbwatch/estimator/outlook"
	"ebbwatch/estimator/plan/plantest"
)

// station is a place with a measured record. Source of the records: KNMI, daily
// observations.
type station struct {
	file                string
	latitude, longitude float64
}

// The process and the temperatures were fitted to the first; the second was held back.
func hoogeveen() station    { return station{"knmi_279_daily.csv", 52.750, 6.574} }
func terschelling() station { return station{"knmi_251_daily.csv", 53.392, 5.346} }

// record reads the days and their monthly means of sun and air.
func (s station) record(t testing.TB) (days []Day, sun, air []float64) {
	sun, air = make([]float64, 12), make([]float64, 12)
	var n, m [12]float64
	for _, d := range plantest.Station(t, s.file) {
		day := Day{Date: d.Date, GHI: d.GHI, Celsius: math.NaN()}
		i := d.Date.Month() - 1
		sun[i], n[i] = sun[i]+d.GHI, n[i]+1
		if d.Known {
			day.Celsius = d.Celsius
			air[i], m[i] = air[i]+d.Celsius, m[i]+1
		}
		days = append(days, day)
	}
	for i := range 12 {
		sun[i] /= n[i]
		air[i] /= m[i]
	}
	return days, sun, air
}

// aKit is a small node: 240 W at 60°, 80 Ah, 10 W all day.
func aKit(latitude, longitude float64, sun, air []float64) *Kit {
	k := &Kit{
		Site: outlook.Site{
			Latitude: latitude, Longitude: longitude, Insolation: sun,
			WattsPeak: 240, TiltDeg: 60, AzimuthDeg: 180, MPPT: true, Zone: time.UTC,
		},
		Battery: estimator.Battery{CapacityAh: 80, Cells: 4, Reserve: 0.2, CutoffVolts: 11.6, InitialSoC: math.NaN()},
		Weather: Weather{AirCelsius: air},
		Target:  0.01,
	}
	for h := range 24 {
		k.Load.Watts[h] = 10
		k.Load.Shed[h] = 6
	}
	return k
}

// compared is the loss of load of one node under drawn and under measured skies.
type compared struct{ drawn, measured float64 }

// grid runs nodes of many sizes through both skies.
func (s station) grid(t testing.TB, cold bool) []compared {
	days, sun, air := s.record(t)
	if !cold {
		air = nil
	}
	k := aKit(s.latitude, s.longitude, sun, air)
	k.Weather.AirSpread = AirSpread(days, false)
	y := k.Prepare(1)
	drawn := y.Synthetic(200, 1)
	measured, _ := y.Measured(days, 1)
	if len(measured) < 20 {
		t.Fatalf("only %d measured years", len(measured))
	}
	var out []compared
	// Only the sizes against the load matter, so the panel stays as it is.
	for _, load := range []float64{0.15, 0.25, 0.35, 0.5, 0.7, 0.85, 1, 1.25, 1.5, 2} {
		for _, battery := range []float64{0.15, 0.3, 0.6, 1, 2, 4, 8} {
			try := Try{Battery: battery, Load: load}
			c := compared{measured: y.LLP(measured, try)}
			if c.measured < 0.005 || c.measured > 0.10 {
				continue
			}
			c.drawn = y.LLP(drawn, try)
			t.Logf("240 W %4.0f Ah %4.1f W: drawn %.4f, measured %.4f, ratio %.2f", 80*battery, 10*load, c.drawn, c.measured, c.drawn/c.measured)
			out = append(out, c)
		}
	}
	return out
}

// The loss of load of 200 drawn years against the same node's through the measured years, at
// a measured loss between 0.5 and 10 %, for a battery that takes charge at any temperature.
// The aim is a factor of 1.5. The station that the process was fitted to keeps it for every
// node. The one held back does for all but a few, on the cautious side: its darkest days
// are brighter than the published spread has them, so nodes with little storage come out
// too dark. No more than one node in six may be beyond 1.5 there, and none beyond 1.75.
func TestDrawnAgainstMeasuredYears(t *testing.T) {
	t.Parallel()
	for name, s := range map[string]station{"fitted": hoogeveen(), "held back": terschelling()} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			list := s.grid(t, false)
			if len(list) < 15 {
				t.Fatalf("only %d nodes lie in the range", len(list))
			}
			far := 0
			for _, c := range list {
				r := c.drawn / c.measured
				if r > 1.5 || r < 1/1.5 {
					far++
				}
				if r > 1.75 || r < 1/1.75 {
					t.Errorf("drawn %.4f, measured %.4f: factor %.2f", c.drawn, c.measured, r)
				}
			}
			t.Logf("%d of %d nodes are within a factor of 1.5", len(list)-far, len(list))
			if name == "fitted" && far > 0 || 6*far > len(list) {
				t.Errorf("%d of %d nodes are beyond a factor of 1.5", far, len(list))
			}
		})
	}
}

// With a battery that refuses charge below freezing, spells of frost decide. The factor of
// 1.5 must hold from a loss of 2 % up at both stations; below that 21 to 25 winters tell
// little, and what is beyond is counted: no more than a third, none beyond 2.5.
func TestDrawnFrostAgainstMeasuredYears(t *testing.T) {
	t.Parallel()
	for name, s := range map[string]station{"fitted": hoogeveen(), "held back": terschelling()} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			seen, rare, far, kind := 0, 0, 0, 0
			for _, c := range s.grid(t, true) {
				r := c.drawn / c.measured
				off := r > 1.5 || r < 1/1.5
				if c.measured >= 0.02 {
					seen++
					if off {
						t.Errorf("drawn %.4f, measured %.4f: factor %.2f", c.drawn, c.measured, r)
					}
					continue
				}
				rare++
				if r > 2.5 || r < 0.4 {
					t.Errorf("drawn %.4f, measured %.4f: factor %.2f", c.drawn, c.measured, r)
				}
				if off {
					far++
				}
				if r < 1 {
					kind++
				}
			}
			if seen < 10 {
				t.Fatalf("only %d nodes lie in the range", seen)
			}
			if 3*far > rare {
				t.Errorf("%d of %d nodes below 2 %% are beyond the factor", far, rare)
			}
			t.Logf("below 2 %%: %d nodes, %d of them beyond the factor, %d too kind", rare, far, kind)
		})
	}
}

// Not only the loss of load: the dark nights, the longest spell, the years that fail and the
// day of the first failure of the drawn years are those of the measured ones.
func TestDrawnYearsLookLikeMeasuredOnes(t *testing.T) {
	t.Parallel()
	for name, s := range map[string]station{"fitted": hoogeveen(), "held back": terschelling()} {
		for _, cold := range []bool{false, true} {
			days, sun, air := s.record(t)
			if !cold {
				air = nil
			}
			k := aKit(s.latitude, s.longitude, sun, air)
			k.Weather.AirSpread = AirSpread(days, false)
			y := k.Prepare(1)
			drawn := y.Synthetic(200, 1)
			measured, _ := y.Measured(days, 1)
			for _, load := range []float64{0.75, 1} {
				a, b := y.Gather(drawn, y.Run(drawn, Try{Load: load})), y.Gather(measured, y.Run(measured, Try{Load: load}))
				t.Logf("%s, frost %v, %.1f W: nights %.1f and %.1f, longest spell of ten years %.0f and %.0f h, failing %.2f and %.2f, lit until day %d and %d",
					name, cold, 10*load, a.NightMean, b.NightMean, a.Longest.P90, b.Longest.P90, a.Failing, b.Failing, a.Lit, b.Lit)
				if r := a.NightMean / b.NightMean; r > 1.5 || r < 1/1.5 {
					t.Errorf("%s, frost %v, %.1f W: %.1f nights drawn, %.1f measured", name, cold, 10*load, a.NightMean, b.NightMean)
				}
				if r := a.Longest.P90 / b.Longest.P90; r > 1.4 || r < 1/1.4 {
					t.Errorf("%s, frost %v, %.1f W: longest spell %.0f h drawn, %.0f h measured", name, cold, 10*load, a.Longest.P90, b.Longest.P90)
				}
				if math.Abs(a.Failing-b.Failing) > 0.2 {
					t.Errorf("%s, frost %v, %.1f W: %.2f of the years fail drawn, %.2f measured", name, cold, 10*load, a.Failing, b.Failing)
				}
				if math.Abs(float64(a.Lit-b.Lit)) > 16 {
					t.Errorf("%s, frost %v, %.1f W: lit until day %d drawn, %d measured", name, cold, 10*load, a.Lit, b.Lit)
				}
			}
		}
	}
}
