package outlook

import (
	"math"
	"time"

	"ebbwatch/collector/reading"
	"ebbwatch/estimator/battery"
	"ebbwatch/estimator/sun"
)

// Step learns from one reading and the belief that came of it. While the wall clock is not
// trusted only the level of the load is learned: the sun's place would be a guess. A reading
// that holds nothing is a silence, as if the program did not run.
func (m Model) Step(s State, r reading.Reading, b battery.Belief) State {
	if r.Empty() {
		return s
	}
	dt := s.Clock.pass(r.Stamp)
	if !r.Trusted {
		s.Clock.Set = false
		m.learnUntimed(&s, &r, b, dt.Hours())
		return s
	}
	m.noteSilentCutoff(&s, &r, b)
	if dt == 0 {
		return s
	}
	m = m.learned(&s)
	p := m.plant()
	mid := r.Wall.Add(-dt / 2)
	m.startDay(&s, &p, mid, b)
	s.Warmth.learn(m, &r, dt.Hours(), s.Day.Date, m.local(r.Wall))
	v := p.view(mid, s.Warmth.air(), &s)
	local := m.local(mid)
	f := m.flowsOf(&s, &r, b, local, v.Elevation < -1)
	m.learnLoad(&s, &r, b, f, local, dt.Hours())
	s.Place.look(m, &v.At, s.Day.Date, utcHours(mid), &r, b, f, dt.Hours())
	if v.Top > 0 && !s.Place.Doubted && !math.IsNaN(f.harvest) {
		m.learnLight(&s, &p, &r, b, &v, f, mid, dt.Hours())
	}
	s.Cutoff.followFed(&r, dt.Hours())
	volts, _ := r.Get(reading.BatteryVolts) // 0 where it is not known
	s.Last = Last{Wall: r.Wall.Unix(), SoC: orZero(b.SoC), Volts: volts, Empty: m.empty(&r, b)}
	return s
}

// startDay closes the day in hand when the moment belongs to a later one.
func (m Model) startDay(s *State, p *plant, mid time.Time, b battery.Belief) {
	day := p.solarDay(mid)
	if day == s.Day.Date {
		return
	}
	if s.SkyDay == 0 || day < s.SkyDay {
		s.SkyDay = day
	} else {
		taught := m.closeDay(s, p)
		score, dark := m.scoreOfSilence(s, p, mid, b, taught)
		for range min(day-s.SkyDay, 90) {
			if dark && !taught {
				s.Sky = s.Sky.See(score, silenceVariance)
			}
			s.Sky, taught = s.Sky.Next(), false
		}
		s.SkyDay = day
	}
	s.Sky.Season = m.season(p.noon(day))
	s.Sky.Scale = s.Width.At(s.Sky.Season)
	s.Day = Day{Date: day, ClearKt: p.clearKt(day)}
}

// season is 1 in the depth of winter and -1 at the height of summer; near the equator there
// is little of either.
func (m Model) season(t time.Time) float64 {
	return math.Cos(2*math.Pi*float64(t.YearDay()+10)/365) * max(-1, min(1, m.Site.Latitude/35))
}

// learnLoad follows the load while it is on, and notes when it goes and comes back.
func (m Model) learnLoad(s *State, r *reading.Reading, b battery.Belief, f flows, local time.Time, hours float64) {
	if math.IsNaN(f.load) {
		return
	}
	dark := m.loadIsOff(s, r, b, f.load)
	if dark != s.Cutoff.Dark {
		s.Cutoff.note(dark, b.SoC, local.Unix())
	}
	if dark || f.load <= 0 {
		return
	}
	s.Load.learn(local, f.load, hours)
}

// learnLight adds a moment of daylight to the day in hand, unless the harvest was held
// back: then it only tells what there was at least.
func (m Model) learnLight(s *State, p *plant, r *reading.Reading, b battery.Belief, v *sun.View, f flows, mid time.Time, hours float64) {
	clear, beam := p.watts(v, 1)
	bright := clear > 0.05*p.site.WattsPeak
	d := &s.Day
	// A charger whose battery refuses feeds the load and no more, or gives nothing. A dull sky
	// leaves the battery to feed a part of the load.
	refused := f.harvest < 0.02*clear || math.Abs(f.harvest-f.load) < 0.02*clear
	charged := f.harvest-f.load > 0.05*clear
	held := curtailed(r, b) || bright && s.Warmth.refusedCharge(r, refused, charged, hours)
	d.Held = d.Held || held
	d.Least += f.harvest * hours
	for k, w := range p.levels(v, d.ClearKt) {
		d.Whole[k] += w * hours
		if !held {
			d.Levels[k] += w * hours
		}
	}
	if held {
		return
	}
	d.Got += f.harvest * hours
	h := &d.Hours[int(mid.Sub(p.dayStart(d.Date)).Hours())%24]
	open := *v
	open.Shade = 1
	_, all := p.watts(&open, 1)
	h.Got += f.harvest * hours
	h.Beam += beam * hours
	h.Rest += (clear - beam) * hours
	h.Open += all * hours
	h.Span += hours
	h.Cell = horizonCell(v.Elevation, v.Azimuth)
}

// curtailed tells whether the charger takes less than the panel could give.
func curtailed(r *reading.Reading, b battery.Belief) bool {
	if stage, ok := r.Get(reading.ChargeStage); ok {
		switch reading.ChargeState(stage) {
		case reading.Absorption, reading.Float, reading.Equalize, reading.Fault:
			return true
		}
	}
	return b.Curtailed || b.Full || b.SoC > 0.985
}

// learnUntimed follows the level of the load alone, for as long as nobody knows the hour:
// a board whose clock was never set still learns how fast its battery empties.
func (m Model) learnUntimed(s *State, r *reading.Reading, b battery.Belief, hours float64) {
	f := m.flowsOf(s, r, b, m.local(r.Wall), false)
	switch l := &s.Load; {
	case math.IsNaN(f.load) || f.load <= 0 || m.loadIsOff(s, r, b, f.load):
	case l.Level == 0:
		l.Level, l.Var = f.load, 0.01
	case l.Days == 0:
		l.Level += min(1, hours/24) * (f.load - l.Level)
	}
}
