package plan

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"testing"
	"time"

	"ebbwatch/estimator/battery"
	"ebbwatch/estimator/outlook"
	"ebbwatch/estimator/plan/plantest"
)

// station is a place with a measured record. Source of the records: KNMI, daily
// observations.
type station struct {
	file                string
	latitude, longitude float64
}

// Skies and temperatures were fitted to the daily statistics of the first, never to a loss
// of load; the second was held back.
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
		Battery: battery.Battery{CapacityAh: 80, Cells: 4, Reserve: 0.2, CutoffVolts: 11.6, InitialSoC: math.NaN()},
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

func (c compared) far() bool { return c.drawn > 1.5*c.measured || c.measured > 1.5*c.drawn }

// grid runs nodes of many sizes, all changed alike, through both skies.
func (s station) grid(t testing.TB, cold bool, seed uint64, change func(*Kit)) (out []compared) {
	t.Helper()
	days, sun, air := s.record(t)
	if !cold {
		air = nil
	}
	k := aKit(s.latitude, s.longitude, sun, air)
	k.Weather.AirSpread = AirSpread(days, false)
	if change != nil {
		change(k)
	}
	y := k.Prepare(1)
	drawn := y.Synthetic(500, seed)
	measured, _ := y.Measured(days, 1)
	if len(measured) < 20 {
		t.Fatalf("only %d measured years", len(measured))
	}
	// Only the sizes against the load matter, so the panel stays as it is.
	for _, load := range []float64{0.15, 0.25, 0.35, 0.5, 0.7, 0.85, 1, 1.25, 1.5, 2} {
		for _, battery := range []float64{0.15, 0.3, 0.6, 1, 2, 4, 8} {
			try := Try{Battery: battery, Load: load}
			c := compared{measured: y.LLP(measured, try)}
			if c.measured < 0.005 || c.measured > 0.10 {
				continue
			}
			c.drawn = y.LLP(drawn, try)
			if c.far() {
				t.Logf("240 W %4.0f Ah %4.1f W: drawn %.4f, measured %.4f, factor %.2f", 80*battery, 10*load, c.drawn, c.measured, c.drawn/c.measured)
			}
			out = append(out, c)
		}
	}
	return out
}

// widest is the largest factor between drawn and measured, and how many are beyond 1.5.
func widest(list []compared) (factor float64, far int) {
	for _, c := range list {
		factor = max(factor, c.drawn/c.measured, c.measured/c.drawn)
		if c.far() {
			far++
		}
	}
	return factor, far
}

// The loss of load of drawn years against the same node's through the measured years, at a
// measured loss between 0.5 and 10 %: within a factor of 1.5, at the station that the skies
// were fitted to and at the one held back, for a battery that takes charge at any temperature
// and for one that refuses it below freezing. One node in twenty may be beyond, up to 1.8:
// with 2000 years drawn one of 107 is (1.51), with the 500 here two are (1.53 and 1.72, both
// below 1 % of loss): fewer years draw rare losses less well.
func TestDrawnAgainstMeasuredYears(t *testing.T) {
	t.Parallel()
	for name, s := range map[string]station{"fitted": hoogeveen(), "held back": terschelling()} {
		for _, cold := range []bool{false, true} {
			t.Run(fmt.Sprintf("%s, frost %v", name, cold), func(t *testing.T) {
				t.Parallel()
				list := s.grid(t, cold, 1, nil)
				factor, far := widest(list)
				t.Logf("%d nodes, the widest factor %.2f", len(list), factor)
				if len(list) < 15 || 20*far > len(list) || factor > 1.8 {
					t.Errorf("%d of %d nodes are beyond a factor of 1.5, the widest %.2f", far, len(list), factor)
				}
			})
		}
	}
}

// Other nodes under other draws, none of which was looked at while the skies were fitted: a
// flat panel, one that faces the evening, a steep one with a PWM charger and a load by night.
// 286 of 292 are within 1.5. The others lie at the station held back, lose less than 1 % in the
// measured years and still less in the drawn ones, and have two weeks of storage and more: the
// widest factor is 2.3. EBBWATCH_STUDY=1 runs them.
func TestOtherNodesAgainstMeasuredYears(t *testing.T) {
	if os.Getenv("EBBWATCH_STUDY") == "" {
		t.Skip("skipped: needs EBBWATCH_STUDY=1, some 20 s")
	}
	t.Parallel()
	nodes := map[string]func(*Kit){
		"flat": func(k *Kit) { k.Site.TiltDeg = 20 },
		"west": func(k *Kit) { k.Site.AzimuthDeg = 230 },
		"night": func(k *Kit) {
			k.Site.TiltDeg, k.Site.MPPT = 75, false
			for h := range 24 {
				k.Load.Watts[h] = 6
				if h < 7 || h > 17 {
					k.Load.Watts[h] = 14
				}
			}
		},
	}
	seen, beyond := 0, 0
	for at, s := range map[string]station{"fitted": hoogeveen(), "held back": terschelling()} {
		for name, change := range nodes {
			for _, cold := range []bool{false, true} {
				list := s.grid(t, cold, 2, change)
				factor, far := widest(list)
				t.Logf("%s, %s, frost %v: %d of %d nodes beyond 1.5, the widest factor %.2f", at, name, cold, far, len(list), factor)
				seen, beyond = seen+len(list), beyond+far
			}
		}
	}
	if seen < 200 || 20*beyond > seen {
		t.Errorf("%d of %d nodes are beyond a factor of 1.5, more than one in twenty", beyond, seen)
	}
}

// How far measured years can tell: the same node's loss over two halves of them, drawn by
// lot, differs by more than the drawn years differ from all of them.
func TestMeasuredYearsDifferAmongThemselves(t *testing.T) {
	t.Parallel()
	days, sun, _ := terschelling().record(t)
	y := aKit(53.392, 5.346, sun, nil).Prepare(1)
	measured, _ := y.Measured(days, 1)
	rng := rand.New(rand.NewPCG(1, 1))
	for _, try := range []Try{{Load: 0.7}, {Load: 0.85, Battery: 2}, {Load: 1.25, Battery: 8}} {
		years := y.Run(measured, try)
		loss := func(years []Tally) float64 {
			var asked, got float64
			for i := range years {
				asked, got = asked+years[i].Demand, got+years[i].Served
			}
			return max(1e-6, 1-got/asked)
		}
		var ratios []float64
		for range 40 {
			rng.Shuffle(len(years), func(i, j int) { years[i], years[j] = years[j], years[i] })
			a, b := loss(years[:len(years)/2]), loss(years[len(years)/2:])
			ratios = append(ratios, max(a, b)/min(a, b))
		}
		slices.Sort(ratios)
		t.Logf("%.1f W, %.0f Ah: one half of the years against the other, in the middle of 40 lots a factor of %.2f", 10*try.Load, 80*or1(try.Battery), ratios[20])
		if ratios[20] < 1.15 {
			t.Errorf("halves agree within %.2f: the measured years could tell more than is asked of them", ratios[20])
		}
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
