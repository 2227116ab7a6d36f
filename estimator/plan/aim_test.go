package plan

import "testing"

// The best aim faces the equator and is steep in either half of the world: the winter sun is
// low. The kit's own aim comes out as the kit does, and east and west do not pass for each
// other behind a hill.
func TestAims(t *testing.T) {
	t.Parallel()
	for name, latitude := range map[string]float64{"north": 52.75, "south": -52.75} {
		sun := lowland()
		if latitude < 0 {
			sun = append(sun[6:], sun[:6]...)
		}
		k := aKit(latitude, 6.57, sun, nil)
		want := 180.0
		if latitude < 0 {
			want, k.Site.AzimuthDeg = 0, 0
		}
		k.Weather.Horizon = []Obstacle{{10, 0}, {60, 25}, {120, 25}, {160, 0}}
		y := k.Prepare(1)
		years := y.Synthetic(20, 1)
		calls := 0
		aims := y.Aims(years, func(int, int) { calls++ })
		if calls != 30 || len(aims) != 30 {
			t.Fatalf("%s: %d aims, %d calls", name, len(aims), calls)
		}
		by := map[[2]float64]float64{}
		for _, a := range aims {
			by[[2]float64{a.TiltDeg, a.AzimuthDeg}] = a.LLP
			if a.Best && (a.AzimuthDeg != want || a.TiltDeg < 45) {
				t.Errorf("%s: the best aim is %.0f° to %.0f°", name, a.TiltDeg, a.AzimuthDeg)
			}
		}
		if got, own := by[[2]float64{60, want}], y.LLP(years, Try{}); got != own {
			t.Errorf("%s: the kit's own aim loses %.4f, the kit %.4f", name, got, own)
		}
		if east, west := by[[2]float64{75, 90}], by[[2]float64{75, 270}]; east <= west {
			t.Errorf("%s: behind a hill in the east, facing it loses %.4f, turned away %.4f", name, east, west)
		}
	}
}

// The published transitions give years of the same monthly sun, and lose about what the
// drawn years lose.
func TestChainedYears(t *testing.T) {
	t.Parallel()
	y := coldKit(nil).Prepare(1)
	chained := y.Chained(200, 1)
	a, b := y.Gather(chained, y.Run(chained, Try{})), y.brief(y.Synthetic(200, 1), Try{})
	for m, want := range lowland() {
		if got := a.Months[m].Sun; got < 0.995*want || got > 1.005*want {
			t.Errorf("month %d has %.3f kWh/m² a day, given %.3f", m+1, got, want)
		}
	}
	if r := a.LLP / b.LLP; r > 1.5 || r < 1/1.5 {
		t.Errorf("loss of load %.4f, by the drawn years %.4f", a.LLP, b.LLP)
	}
	again := y.Chained(2, 1)
	if again[0].Place != y.Chained(2, 1)[0].Place {
		t.Error("the same seed gives other years")
	}
}
