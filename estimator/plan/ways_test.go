package plan

import "testing"

// What is said to mend a kit does so under the same skies, with the fewest changes: none of the
// single ones does where two are named. Where all together do not, the load that is named is
// carried. The most robust kit keeps its target in the worse case that it is made for.
func TestWays(t *testing.T) {
	t.Parallel()
	for _, watts := range []float64{5, 8, 11} {
		y := someYear(func(k *Kit) {
			for h := range 24 {
				k.Load.Watts[h], k.Load.Shed[h] = watts, watts/2
			}
			k.Site.TiltDeg = 20
		})
		years := y.Synthetic(30, 1)
		alone := y.LLP(years, Try{})
		best := Aim{TiltDeg: 75, AzimuthDeg: 180}
		way := y.Free(years, best)
		if way.Mends != (way.LLP <= y.kit.Target) || len(way.Does) == 0 || way.LLP >= alone && alone > 0 {
			t.Errorf("%.0f W: %+v, as it is %.4f", watts, way, alone)
		}
		if way.Mends && way.Carried < y.kit.Load.Mean()-1.01 || !way.Mends && len(way.Does) < 3 {
			t.Errorf("%.0f W: %+v", watts, way)
		}
		robust, ok := y.kit.Robust(30, 1, Prices{PanelWatt: 0.5, BatteryAh: 3})
		if !ok || !robust.Mends || robust.LLP > y.kit.Target/1.5 || robust.Cost <= 0 || robust.Carried < y.kit.Load.Mean() {
			t.Errorf("%.0f W: the most robust is %+v", watts, robust)
		}
	}
}
