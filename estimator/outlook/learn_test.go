package outlook

import (
	"math"
	"testing"
	"time"

	"ebbwatch/collector/reading"
	"ebbwatch/estimator/battery"
	"ebbwatch/estimator/sky"
)

// meters is what one test site measures, made from what is true.
type meters func(r *reading.Reading, harvest, load, volts float64)

// Whatever is measured, the same days must teach about the same: harvest, load and so the
// panel's factor.
func TestLearnsFromWhateverIsMeasured(t *testing.T) {
	t.Parallel()
	set := func(q reading.Quantity) meters {
		return func(r *reading.Reading, harvest, load, volts float64) {
			switch q {
			case reading.BatteryAmps:
				r.Set(q, (harvest-load)/volts)
			case reading.ChargeAmps:
				r.Set(q, harvest/volts)
			case reading.PanelWatts:
				r.Set(q, harvest/reading.ConverterShare)
			case reading.PanelAmps:
				r.Set(reading.PanelVolts, 30)
				r.Set(q, harvest/reading.ConverterShare/30)
			case reading.LoadWatts:
				r.Set(q, load)
			case reading.LoadAmps:
				r.Set(q, load/volts)
			}
		}
	}
	for name, ms := range map[string][]meters{
		"battery current and load":   {set(reading.BatteryAmps), set(reading.LoadWatts)},
		"panel and load power":       {set(reading.PanelWatts), set(reading.LoadWatts)},
		"panel volts and amps":       {set(reading.PanelAmps), set(reading.LoadAmps)},
		"charge and load current":    {set(reading.ChargeAmps), set(reading.LoadAmps)},
		"battery and charge current": {set(reading.BatteryAmps), set(reading.ChargeAmps)},
		"battery current alone":      {set(reading.BatteryAmps)},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			m := testModel()
			s := liveWith(m, m.Start(), 12, func(at time.Time) (float64, float64) { return 0.7, 9 }, belief(0.6), ms...)
			f, _ := s.Panel.factor()
			if math.Abs(s.Load.Level-9) > 0.3 {
				t.Errorf("load %.2f W, want 9", s.Load.Level)
			}
			p := m.plant()
			day := s.Day
			kt := clearness(&p.kts, &day.Levels, day.Got/f)
			if day.Got <= 0 || kt < 0.2 || kt > 0.75 {
				t.Errorf("got %.1f Wh, clearness %.2f with factor %.2f", day.Got, kt, f)
			}
		})
	}
}

// liveWith feeds days of ten minutes up to an afternoon; sky gives the share of the clear
// harvest and the load.
func liveWith(m Model, s State, days int, sky func(time.Time) (share, load float64), b battery.Belief, ms ...meters) State {
	p := m.plant()
	from := time.Date(2024, 3, 1, 0, 0, 0, 0, time.UTC)
	for i := range days*144 - 48 {
		at := from.Add(time.Duration(i) * 10 * time.Minute)
		r := reading.Reading{Stamp: reading.Stamp{Mono: time.Duration(i+1) * 10 * time.Minute, Wall: at, Trusted: true}}
		v := p.view(at.Add(-5*time.Minute), 10, &State{})
		share, load := sky(at)
		w, _ := p.watts(&v, share)
		r.Set(reading.BatteryVolts, 13.2)
		for _, set := range ms {
			set(&r, w*0.9, load, 13.2)
		}
		s = m.Step(s, r, b)
	}
	return s
}

func powers(r *reading.Reading, harvest, load, _ float64) {
	r.Set(reading.PanelWatts, harvest/reading.ConverterShare)
	r.Set(reading.LoadWatts, load)
}

// Hours in which the charger held back must not teach a dull sky.
func TestHeldBackHoursAreALowerBound(t *testing.T) {
	t.Parallel()
	m := testModel()
	full := belief(0.99)
	full.Curtailed = true
	s := liveWith(m, m.Start(), 20, func(time.Time) (float64, float64) { return 0.05, 9 }, full, powers)
	if f, _ := s.Panel.factor(); math.Abs(f-usualFactor) > 0.05 {
		t.Errorf("the panel's factor became %.2f", f)
	}
	if mean, _ := s.Sky.Score(); mean < -0.1 {
		t.Errorf("the sky's score became %.2f", mean)
	}
	if s.Day.Got != 0 || !s.Day.Held {
		t.Errorf("the day in hand: got %.1f Wh, held back %v", s.Day.Got, s.Day.Held)
	}
}

// A tree to the south-east takes the morning's beam on clear days: the skyline must show it
// there and nowhere else, and the outlook's mornings be darker.
func TestSkylineFindsATree(t *testing.T) {
	t.Parallel()
	m := testModel()
	p := m.plant()
	tree := func(at time.Time) bool {
		v := p.view(at.Add(-5*time.Minute), 10, &State{})
		return v.Azimuth > 120 && v.Azimuth < 150 && v.Elevation > 12
	}
	s := liveWith(m, m.Start(), 60, func(at time.Time) (float64, float64) {
		if tree(at) {
			return 0.25, 9
		}
		return 1, 9
	}, belief(0.6), powers)
	behind := s.Skyline.at(25, 135)
	open := s.Skyline.at(30, 200)
	if behind > 0.6 || open < 0.9 {
		t.Errorf("share of the beam behind the tree %.2f, beside it %.2f", behind, open)
	}
}

// A panel under snow gives nothing by day: that is no sky. It is noticed, the sky forgets
// nothing, and the outlook allows for it to last.
func TestCoveredPanelIsNoSky(t *testing.T) {
	t.Parallel()
	m := testModel()
	bright := liveWith(m, m.Start(), 10, func(time.Time) (float64, float64) { return 0.8, 9 }, belief(0.6), powers)
	snow := liveWith(m, m.Start(), 14, func(at time.Time) (float64, float64) {
		if at.Day() > 10 {
			return 0, 9
		}
		return 0.8, 9
	}, belief(0.6), powers)
	if snow.Covered != 3 || bright.Covered != 0 {
		t.Fatalf("covered for %d and %d days, want 3 and 0", snow.Covered, bright.Covered)
	}
	if a, b := snow.Sky.X[2], bright.Sky.X[2]; math.Abs(a-b) > 0.1 {
		t.Errorf("the site's offset went from %.2f to %.2f", b, a)
	}
	now := time.Date(2024, 3, 14, 16, 0, 0, 0, time.UTC)
	f := m.Draw(&snow, belief(0.6), now, nil, 1)
	under := f.Run(Action{}, false)
	cleared := f.Run(Action{Uncover: true, PanelFrom: 12}, false)
	if under.Cutoff.Within[4] <= cleared.Cutoff.Within[4]+0.1 {
		t.Errorf("chance within a week %.2f, cleared %.2f", under.Cutoff.Within[4], cleared.Cutoff.Within[4])
	}
}

// A node that goes dark on dull days would see bright days alone, and think its sky bright.
// What a silent battery gained tells how dull the days were that nobody saw; of a silence with
// charge left, which is not the sky's, nothing is learned.
func TestDaysInTheDarkAreDull(t *testing.T) {
	t.Parallel()
	m := testModel()
	bright := func(time.Time) (float64, float64) { return 0.8, 9 }
	before := liveWith(m, m.Start(), 10, bright, belief(0.6), powers)
	heardAgain := func(was, now float64) sky.Process {
		s := before
		s.Last.SoC, s.Last.Empty = was, was < 0.05
		at := time.Unix(s.Last.Wall, 0).UTC().Add(6 * 24 * time.Hour)
		for i := range 3 {
			stamp := reading.Stamp{Mono: before.Clock.Mono + 6*24*time.Hour + time.Duration(i)*10*time.Minute, Wall: at.Add(time.Duration(i) * 10 * time.Minute), Trusted: true}
			r := reading.Reading{Stamp: stamp}
			r.Set(reading.BatteryVolts, 13)
			b := belief(now)
			b.UsableAh = 80
			s = m.Step(s, r, b)
		}
		return s.Sky
	}
	mean := func(p sky.Process) float64 { x, _ := p.Score(); return x }
	little, much, other := mean(heardAgain(0.03, 0.08)), mean(heardAgain(0.03, 0.95)), mean(heardAgain(0.5, 0.55))
	if little > other-0.3 || much < little+0.3 {
		t.Errorf("score after six days in which the battery gained little %.2f, much %.2f, and that were no cut-off %.2f", little, much, other)
	}
}

// The load's shape by hour and kind of day, its level after creep, and nothing learned from
// the hours in which it was cut off.
func TestLoadShapeCreepAndCutoff(t *testing.T) {
	t.Parallel()
	m := testModel()
	load := func(at time.Time) float64 {
		w := 8.0
		if h := at.Add(-time.Minute).Hour(); h >= 18 && h < 22 {
			w = 14
		}
		if d := at.Add(-time.Minute).Weekday(); d == time.Saturday || d == time.Sunday {
			w += 3
		}
		return w
	}
	s := liveWith(m, m.Start(), 36, func(at time.Time) (float64, float64) { return 0.6, load(at) }, belief(0.6), powers)
	for _, at := range []time.Time{
		time.Date(2024, 4, 3, 3, 30, 0, 0, time.UTC), time.Date(2024, 4, 3, 20, 30, 0, 0, time.UTC), time.Date(2024, 4, 6, 20, 30, 0, 0, time.UTC),
	} {
		if got, want := s.Load.at(at), load(at); math.Abs(got-want) > 0.12*want {
			t.Errorf("%v: expects %.1f W, want %.1f", at, got, want)
		}
	}
	more := liveWith(m, m.Start(), 36, func(at time.Time) (float64, float64) {
		if at.After(time.Date(2024, 3, 26, 0, 0, 0, 0, time.UTC)) {
			return 0.6, 1.3 * load(at)
		}
		return 0.6, load(at)
	}, belief(0.6), powers)
	if r := more.Load.Level / s.Load.Level; r < 1.15 {
		t.Errorf("30 %% more for ten days: the level grew to %.2f", r)
	}
	dark := s
	low := belief(0.02)
	for i := range 100 {
		r := reading.Reading{Stamp: reading.Stamp{Mono: time.Duration(60000+i*10) * time.Minute, Wall: time.Date(2024, 4, 6, 0, i*10, 0, 0, time.UTC), Trusted: true}}
		r.Set(reading.BatteryVolts, 11.9)
		r.Set(reading.LoadWatts, 0)
		r.Set(reading.PanelWatts, 0)
		dark = m.Step(dark, r, low)
	}
	if !dark.Cutoff.Dark || math.Abs(dark.Load.Level-s.Load.Level) > 0.2 {
		t.Errorf("cut off %v, level %.2f, was %.2f", dark.Cutoff.Dark, dark.Load.Level, s.Load.Level)
	}
	o := m.Project(&dark, low, time.Date(2024, 4, 6, 17, 0, 0, 0, time.UTC), nil, 1)
	if o.Cutoff.P50 != 0 || o.Cutoff.Within[0] != 1 {
		t.Errorf("in the dark: %+v", o.Cutoff)
	}
	if !(o.BackHours > 5 && o.BackHours < 100) {
		t.Errorf("back after %.0f h", o.BackHours)
	}
}

// A dull forecast must raise the chance and a bright one lower it; one that was issued long
// ago speaks only of the days it holds; what it said is scored when its day has come.
func TestForecastMovesTheChance(t *testing.T) {
	t.Parallel()
	m := testModel()
	s := liveWith(m, m.Start(), 14, func(time.Time) (float64, float64) { return 0.35, 13 }, belief(0.5), powers)
	now := time.Date(2024, 3, 14, 16, 0, 0, 0, time.UTC)
	forecast := func(share float64, issued time.Time) *reading.Forecast {
		f := &reading.Forecast{Issued: issued}
		p := m.plant()
		for h := range 168 {
			start := issued.Truncate(time.Hour).Add(time.Duration(h) * time.Hour)
			v := p.view(start.Add(30*time.Minute), 10, &State{})
			f.Hours = append(f.Hours, reading.ForecastHour{Start: start, GHI: share * v.Clear, CloudRatio: math.NaN(), AirCelsius: 5})
		}
		return f
	}
	chance := func(fc *reading.Forecast) float64 {
		return m.Project(&s, belief(0.45), now, fc, 1).Cutoff.Within[4]
	}
	dull, none, bright, stale := chance(forecast(0.12, now)), chance(nil), chance(forecast(0.9, now)), chance(forecast(0.12, now.Add(-30*24*time.Hour)))
	if !(dull > none+0.1 && bright < none-0.05) {
		t.Errorf("dull %.2f, none %.2f, bright %.2f", dull, none, bright)
	}
	if stale != none {
		t.Errorf("a month old: %.2f, without %.2f", stale, none)
	}
	heard := m.KeepForecast(s, forecast(0.5, now))
	if heard != m.KeepForecast(heard, forecast(0.5, now)) {
		t.Error("the same issue heard twice changed something")
	}
	known := 0
	for _, p := range heard.Pending {
		for _, k := range p.Known {
			known += int(oneIf(k))
		}
	}
	if known < 6 || known > sky.Leads {
		t.Errorf("%d days kept to be scored, want about seven", known)
	}
}

// What was learned before a gap, a restart and an untrusted clock stays sound.
func TestGapsAndClocks(t *testing.T) {
	t.Parallel()
	m := testModel()
	s := liveWith(m, m.Start(), 6, func(time.Time) (float64, float64) { return 0.6, 9 }, belief(0.6), powers)
	was := s
	for _, x := range []reading.Stamp{
		{Mono: 9e15, Wall: time.Date(1970, 1, 1, 0, 0, 0, 0, time.UTC)},                         // no clock
		{Mono: time.Second, Wall: time.Date(2024, 3, 20, 12, 0, 0, 0, time.UTC), Trusted: true}, // a new process
		{Mono: time.Minute, Wall: time.Date(2031, 3, 20, 12, 0, 0, 0, time.UTC), Trusted: true}, // a step of years
		{Mono: 2 * time.Minute, Wall: time.Date(2024, 3, 20, 12, 3, 0, 0, time.UTC), Trusted: true},
		{Mono: 3 * time.Minute, Wall: time.Date(2024, 3, 20, 12, 4, 0, 0, time.UTC), Trusted: true},
	} {
		r := reading.Reading{Stamp: x}
		r.Set(reading.BatteryVolts, 13.2)
		r.Set(reading.LoadWatts, 9)
		r.Set(reading.PanelWatts, 40)
		s = m.Step(s, r, belief(0.6))
	}
	if math.Abs(s.Load.Level-was.Load.Level) > 0.1 || s.SkyDay == 0 || math.IsNaN(s.Sky.X[0]) {
		t.Errorf("after the clocks: load %.2f was %.2f, sky %+v", s.Load.Level, was.Load.Level, s.Sky)
	}
	o := m.Project(&s, belief(0.6), time.Date(2024, 3, 20, 12, 5, 0, 0, time.UTC), nil, 1)
	if math.IsNaN(o.NoSunHours) || o.NoSunHours < 20 {
		t.Errorf("outlook after the clocks: %+v", o)
	}
}

// Nothing is known of anything: an outlook must still come, without NaN where a number is
// promised.
func TestProjectWithoutKnowledge(t *testing.T) {
	t.Parallel()
	m := Model{Site: Site{Latitude: 52.75, Longitude: 6.57, WattsPeak: 240, TiltDeg: 60, AzimuthDeg: 180}, Battery: battery.Battery{CapacityAh: 100, Cells: 4, Reserve: 0.2, CutoffVolts: 11.6}}
	s := m.Start()
	nan := math.NaN()
	o := m.Project(&s, battery.Belief{SoC: 0.6, Low: nan, High: nan, SoCSD: nan, UsableAh: nan, UsableAhSD: nan, MilliOhms: nan, DrainSD: nan, DrainWatts: nan}, time.Date(2024, 12, 20, 12, 0, 0, 0, time.UTC), nil, 1)
	for i, p := range o.Cutoff.Within {
		if math.IsNaN(p) || math.IsNaN(o.Reserve.Within[i]) {
			t.Errorf("chances %v %v", o.Cutoff.Within, o.Reserve.Within)
		}
	}
	for _, p := range o.Fan {
		if math.IsNaN(p.P10) || p.P10 > p.P25 || p.P25 > p.P50 || p.P50 > p.P75 || p.P75 > p.P90 || p.SunWatts < 0 {
			t.Fatalf("fan %+v", p)
		}
	}
	for i, hours := range Withins() { // the fan and the table say the same chance of the same moment
		if p := o.Fan[hours-1]; p.Hours != float64(hours) || p.Cutoff != o.Cutoff.Within[i] || p.Reserve != o.Reserve.Within[i] {
			t.Errorf("within %d h: fan %+v, window %v and %v", hours, p, o.Cutoff.Within[i], o.Reserve.Within[i])
		}
	}
}
