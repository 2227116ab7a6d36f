package outlook

import (
	"math"
	"time"

	"ebbwatch/collector/reading"
	"ebbwatch/estimator/battery"
)

// noteSilentCutoff notes a cut-off that silenced the node: most are fed by the load that is cut, and
// nobody but the silence tells of it.
func (m Model) noteSilentCutoff(s *State, r *reading.Reading, b battery.Belief) {
	c := &s.Cutoff
	silent := r.Wall.Sub(time.Unix(s.Last.Wall, 0))
	if silent < darkLeast || silent > darkMost || c.Dark || c.LastAt >= s.Last.Wall {
		return
	}
	early := !s.Last.Empty && silent >= earlyLeast && m.early(s, r)
	if !s.Last.Empty && !early {
		return
	}
	s.Last.Empty = true // the days of this silence were dull, see scoreOfSilence
	c.note(true, s.Last.SoC, s.Last.Wall)
	switch on, told := r.Get(reading.LoadOn); {
	case told && on == 0:
	case early:
		c.note(false, b.SoC, r.Wall.Unix())
	default: // after an empty battery the charge at which it came back is a guess
		c.Dark = false
	}
}

// Many a controller cuts the load well above what its owner believes. A battery that was on
// the foot of its curve when it was last heard, and stands higher when it is heard again, has
// had its load cut: it would stand lower if it had fed it all the while. Where a load was fed
// at far lower voltages before, it was something else.
const (
	earlyLeast = 3 * time.Hour
	earlyVolts = 3.225 // a cell, under load; the plateau lies above
	earlyRise  = 0.025 // V a cell
	earlyFed   = 0.075 // V a cell
	earlySoC   = 0.35
)

func (m Model) early(s *State, r *reading.Reading) bool {
	cells := m.cells()
	now, ok := r.Get(reading.BatteryVolts)
	was := s.Last.Volts
	return ok && was > 0 && was < min(earlyVolts*cells, s.Cutoff.Fed+earlyFed*cells) && now > was+earlyRise*cells && s.Last.SoC < earlySoC
}

// followFed follows the lowest voltage at which the load was fed. It is forgotten over years: the
// owner may set the controller anew.
func (c *Cutoff) followFed(r *reading.Reading, hours float64) {
	v, ok := r.Get(reading.BatteryVolts)
	if on, told := r.Get(reading.LoadOn); !ok || c.Dark || told && on == 0 {
		return
	}
	if c.Fed == 0 || v < c.Fed {
		c.Fed = v
	}
	c.Fed += (v - c.Fed) * hours / (5 * 365 * 24)
}

// A silence of a node whose battery was empty is a cut-off when it is longer than a restart
// takes; after a month it may be anything.
const (
	darkLeast = time.Hour
	darkMost  = 30 * 24 * time.Hour
)

// empty tells a battery that is about to lose its load.
func (m Model) empty(r *reading.Reading, b battery.Belief) bool {
	if b.SoC < 0.05 {
		return true
	}
	v, ok := r.Get(reading.BatteryVolts)
	return ok && v < m.Battery.CutoffVolts+0.1*m.cells()
}

// loadIsOff tells a load that was taken off from one that idles: told so, or next to
// nothing flows while the battery is low. Once off it stays so until it flows again.
func (m Model) loadIsOff(s *State, r *reading.Reading, b battery.Belief, watts float64) bool {
	if on, ok := r.Get(reading.LoadOn); ok {
		return on == 0
	}
	idle := watts-drain(b) < 0.15*max(s.Load.Level-drain(b), 0)
	if s.Cutoff.Dark {
		return idle
	}
	low := b.SoC < 0.25
	if v, ok := r.Get(reading.BatteryVolts); ok {
		low = low || v < m.Battery.CutoffVolts+0.25*m.cells()
	}
	return idle && low
}

func (c *Cutoff) note(dark bool, soc float64, at int64) {
	c.Dark = dark
	if dark {
		c.LastAt = at
	}
	if math.IsNaN(soc) {
		return
	}
	if dark {
		c.Count = min(c.Count+1, 10)
		c.SoC += (soc - c.SoC) / c.Count
		return
	}
	c.BackCount = min(c.BackCount+1, 10)
	c.BackSoC += (soc - c.BackSoC) / c.BackCount
}
