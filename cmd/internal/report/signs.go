package report

import (
	"math"
	"slices"
	"time"
)

// signs are what the record shows of an outage. What is not known is NaN.
type signs struct {
	before, during, after                 []Step
	soc, socAfter                         float64
	volts                                 float64 // least in the last hour
	voltsPerCell                          float64
	dead                                  bool // no record of it
	loadOff                               float64
	celsius, controller                   float64
	bright                                float64 // harvest against a clear sky on the five days before
	possible                              float64 // light without regard to the harvest: panel voltage under the sun
	brightAfter                           bool    // sun enough to wake a node that only ran down
	holes                                 int     // short holes on the day before
	lost                                  bool    // some readings vanished hours before the rest
	collapse                              bool
	creep                                 *Creep
	silentPeers, knownPeers, silentBefore int
}

// look gathers the signs.
func look(in WhyInput) signs {
	s := signs{soc: nan(), socAfter: nan(), volts: nan(), celsius: nan(), controller: nan(), loadOff: nan(), voltsPerCell: nan()}
	from, to := in.Outage.From, in.Outage.To
	for _, x := range in.Steps {
		switch {
		case x.At.Before(from):
			s.before = append(s.before, x)
		case x.At.Before(to):
			s.during = append(s.during, x)
		default:
			s.after = append(s.after, x)
		}
	}
	expected := to.Sub(from) / (5 * time.Minute)
	s.dead = len(s.during) < int(expected)/2
	s.lookBefore(in)
	var off mean
	for _, x := range s.during {
		off.add(switchedOff(x, s.before))
	}
	s.loadOff = off.value()
	for _, x := range s.after[:min(len(s.after), 6)] {
		s.socAfter = x.SoC
	}
	s.lookLight(in)
	s.lookPeers()
	s.creep = creepOf(daysOf(Input{Zone: in.Zone, Steps: s.before}))
	return s
}

func nan() float64 { return math.NaN() }

// lookBefore reads the last hours: what was known last, and how the record ended.
func (s *signs) lookBefore(in WhyInput) {
	from := in.Outage.From
	known := map[string]time.Time{} // when each kind of reading was last known
	var last Step
	for i, x := range s.before {
		left := from.Sub(x.At)
		if i > 0 && left < 24*time.Hour && x.At.Sub(last.At) > 12*time.Minute {
			s.holes++
		}
		for name, v := range map[string]float64{"battery temperature": x.BatteryCelsius, "panel": x.PVVolts, "battery": x.Volts} {
			if !math.IsNaN(v) {
				known[name] = x.At
			}
		}
		if !math.IsNaN(x.SoC) {
			s.soc = x.SoC
		}
		if left <= time.Hour && !math.IsNaN(x.VoltsLow) && !(x.VoltsLow >= s.volts) {
			s.volts = x.VoltsLow
		}
		if left <= 3*time.Hour {
			s.celsius = hotter(s.celsius, x.BatteryCelsius)
			s.controller = hotter(s.controller, x.ControllerCelsius)
		}
		if i > 0 && left <= 15*time.Minute && x.VoltsLow < 0.5*last.VoltsLow {
			s.collapse = true
		}
		last = x
	}
	for _, at := range known {
		if !last.At.IsZero() && last.At.Sub(at) > 2*time.Hour && last.At.Sub(at) < 48*time.Hour {
			s.lost = true
		}
	}
	s.voltsPerCell = s.volts / float64(max(in.Battery.Cells, 1))
}

func hotter(a, b float64) float64 {
	if math.IsNaN(a) || b > a {
		return b
	}
	return a
}

// switchedOff is 1 when the load output was off, 0 when it was on.
func switchedOff(x Step, before []Step) float64 {
	if !math.IsNaN(x.LoadOn) {
		return 1 - x.LoadOn
	}
	var usual mean
	for _, b := range before {
		usual.add(b.LoadWatts)
	}
	switch {
	case math.IsNaN(x.LoadWatts) || !(usual.value() > 1):
		return nan()
	case x.LoadWatts < 0.1*usual.value():
		return 1
	}
	return 0
}

// lookLight compares the harvest with a clear sky, and asks whether there was light that
// was not taken.
func (s *signs) lookLight(in WhyInput) {
	one := func(steps []Step) (got, could, lit float64) {
		days := daysOf(Input{Zone: in.Zone, Steps: steps})
		for _, x := range light(Input{Zone: in.Zone, Steps: steps, Array: in.Array, Battery: in.Battery}, days) {
			got, could = got+x.PV, could+x.clear
			if x.PVVolts > 1.1*x.Volts || math.IsNaN(x.Volts) && x.PVVolts > 15 {
				lit += x.clear
			}
		}
		return got, could, lit
	}
	got, could, lit := one(s.before)
	s.bright, s.possible = got/could, lit/could
	// While the board is dead only the sun's path and the days before tell of the light;
	// a day and a half with the sun of a fair day before should have woken it.
	if recent := slices.IndexFunc(s.before, func(x Step) bool { return in.Outage.From.Sub(x.At) < 40*time.Hour }); recent >= 0 {
		got, could, _ := one(s.before[recent:])
		s.brightAfter = got/could > 0.4 && in.Outage.Length() > 30*time.Hour
	}
}

// lookPeers counts the peers that were silent during the outage and before it.
func (s *signs) lookPeers() {
	count := func(steps []Step) (known, silent int) {
		up := map[string]*mean{}
		for _, x := range steps {
			for name, p := range x.Peers {
				if up[name] == nil {
					up[name] = &mean{}
				}
				up[name].add(p.Up)
			}
		}
		for _, m := range up {
			if m.n > 0 {
				known++
				if m.value() < 0.5 {
					silent++
				}
			}
		}
		return known, silent
	}
	s.knownPeers, s.silentPeers = count(s.during)
	for _, x := range s.before {
		for _, p := range x.Peers {
			if p.Up < 0.5 {
				s.silentBefore++
				break
			}
		}
	}
}

// creepOf is the creep over a few days, where two levels stand apart more clearly than days
// differ: three days are too few for the test that a season allows.
func creepOf(days []Day) *Creep {
	var known []Day
	for _, d := range days {
		if !math.IsNaN(d.LoadWatts) {
			known = append(known, d)
		}
	}
	var best *Creep
	for k := 1; k < len(known); k++ {
		a, _ := meanVar(known[:k])
		b, _ := meanVar(known[k:])
		if b > a*1.3 && b-a > 2 && (best == nil || b-a > best.After-best.Before) {
			best = &Creep{known[k].Date, a, b}
		}
	}
	return best
}
