package plan

import (
	"math"
	"slices"
	"testing"
)

// A battery whose protection releases only some kelvin above freezing loses more than one
// that releases at once, and one that is heated less; the heat is paid from the battery.
func TestColdCosts(t *testing.T) {
	t.Parallel()
	llp := func(change func(*Weather)) (loss, asked float64) {
		y := someYear(func(k *Kit) {
			k.Weather.AirCelsius = []float64{-4, -3, 1, 6, 11, 15, 17, 16, 12, 7, 2, -2}
			change(&k.Weather)
		})
		years := y.Synthetic(40, 3)
		return y.LLP(years, Try{}), y.LLP(years, Try{Takes: true})
	}
	plain, takes := llp(func(*Weather) {})
	released, _ := llp(func(w *Weather) { w.Release = 3 })
	insulated, _ := llp(func(w *Weather) { w.Release, w.WarmTo, w.LossWK = 3, 3, 0.1 })
	leaky, _ := llp(func(w *Weather) { w.Release, w.WarmTo, w.LossWK = 3, 3, 3 })
	if !(takes < plain && plain < released && insulated < released && insulated < leaky) {
		t.Errorf("lost: %.3f taking charge cold, %.3f released at 0 °C, %.3f at 3, heated %.3f, in a leaky box %.3f", takes, plain, released, insulated, leaky)
	}
}

// The frost holds until the release temperature, and only once it began.
func TestFrost(t *testing.T) {
	t.Parallel()
	var f frost
	var got []bool
	for _, c := range []float32{1, 2, -0.1, 1, 2.9, 3, 1, 0} {
		f = f.next(c, 3)
		got = append(got, bool(f))
	}
	if want := []bool{false, false, true, true, true, false, false, false}; !slices.Equal(got, want) {
		t.Errorf("frost %v, want %v", got, want)
	}
}

// A heater gives what the box loses: 0.5 W/K against 8 K is 4 W.
func TestHeater(t *testing.T) {
	t.Parallel()
	w := Weather{WarmTo: 5, LossWK: 0.5}
	if got := w.heater(-3); math.Abs(float64(got)-4) > 1e-6 {
		t.Errorf("%g W, want 4", got)
	}
	if w.heater(6) != 0 || (&Weather{WarmTo: 5}).heater(-3) != 0 {
		t.Error("it heats where nothing is to be heated")
	}
}
