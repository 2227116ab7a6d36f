package outlook

import (
	"testing"
	"time"

	"ebbwatch/collector/reading"
)

// cold lives some weeks of a day's light with the battery about a mean temperature that falls or
// rises by a slope a day; charge tells whether the battery takes any at a temperature.
func cold(m Model, mean, slope float64, charge func(celsius float64, frozen bool) bool) State {
	s, from := m.Start(), time.Date(2024, 1, 8, 0, 0, 0, 0, time.UTC)
	frozen := false
	for i := range 28 * 96 {
		at := from.Add(time.Duration(i) * 15 * time.Minute)
		celsius := mean + slope*float64(i)/96
		if h := at.Hour(); h >= 10 && h < 18 {
			celsius += 3
		} else {
			celsius -= 3
		}
		frozen = celsius < 0 || frozen && celsius < 5
		p := m.plant()
		v := p.view(at, 0, &s)
		watts, _ := p.watts(&v, 0.7)
		load := 10.0
		if !charge(celsius, frozen) {
			watts = min(watts, load)
		}
		r := reading.Reading{Stamp: reading.Stamp{Mono: time.Duration(i+1) * 15 * time.Minute, Wall: at, Trusted: true}}
		r.Set(reading.BatteryVolts, 13.1)
		r.Set(reading.PanelWatts, watts/reading.ConverterShare)
		r.Set(reading.LoadWatts, load)
		r.Set(reading.BatteryCelsius, celsius)
		s = m.Step(s, r, belief(0.6))
	}
	return s
}

// A cold spell ahead is told from the temperatures alone: the same sun and the same charge are
// worse where the frost keeps the charge out, and no worse where the battery takes it.
func TestFrostRaisesTheChance(t *testing.T) {
	t.Parallel()
	m := testModel()
	now := time.Date(2024, 2, 5, 0, 0, 0, 0, time.UTC)
	chance := func(s State) float64 {
		return m.Project(&s, belief(0.45), now, nil, 3).Cutoff.Within[4]
	}
	refuses := func(celsius float64, _ bool) bool { return celsius >= 0 }
	mild := chance(cold(m, 9, 0, refuses))
	frost := chance(cold(m, -6, 0, refuses))
	hardy := chance(cold(m, -6, 0, func(float64, bool) bool { return true }))
	t.Logf("dark within a week: mild %.2f, frost %.2f, frost with a battery that takes charge %.2f", mild, frost, hardy)
	if frost < mild+0.2 {
		t.Errorf("frost %.2f is hardly worse than mild weather %.2f", frost, mild)
	}
	if hardy > frost-0.2 {
		t.Errorf("a battery that takes charge in the frost %.2f is hardly better than one that does not %.2f", hardy, frost)
	}
}

// A protection that lets the charge in only at 5 °C is told from one that does so at once.
func TestReleaseIsLearned(t *testing.T) {
	t.Parallel()
	m := testModel()
	late := cold(m, 0.5, 0, func(_ float64, frozen bool) bool { return !frozen })
	soon := cold(m, 0.5, 0, func(celsius float64, _ bool) bool { return celsius >= 0 })
	a, b := late.Warmth.releasesLate(), soon.Warmth.releasesLate()
	if a < 0.8 || b > 0.2 {
		t.Errorf("the chance of a late release is %.2f where it is late and %.2f where it is not", a, b)
	}
}
