package plausible

import (
	"time"

	"ebbwatch/collector/reading"
)

// Night watches what flows after dark.
type Night struct {
	Battery Dark // the battery takes current
	Panel   Dark
	Charge  Dark
}

// Dark is how long something has flowed that cannot in the dark.
type Dark struct {
	For     time.Duration
	Polls   int
	Clean   int // polls in the dark without it
	Verdict Verdict
}

const (
	darkBelow = -6.0 // degrees: civil twilight has ended, a panel gives nothing
	darkAmps  = 0.3  // A into the battery that need an explanation
	darkWatts = 5.0  // of a panel
	darkLong  = 2 * time.Hour
	darkSoon  = 5 * time.Minute
)

// dark tells whether no panel gives anything: by the sun, or else by the panel itself.
func (p *poll) dark() bool { return p.c.SunElevation < darkBelow } // false when it is not known

// night judges what flows into the battery, or out of the panel, while there is no sun.
// Somebody may have brought a charger: where the voltage or the charger has confirmed the
// sign of the battery's current, nothing is said of it.
func (s *State) night(p poll) []finding {
	n := &s.Night
	if p.dark() {
		for _, x := range []struct {
			d     *Dark
			q     reading.Quantity
			most  float64
			limit time.Duration
		}{
			{&n.Battery, reading.BatteryAmps, darkAmps, darkLong},
			{&n.Panel, reading.PanelWatts, darkWatts, darkSoon},
			{&n.Charge, reading.ChargeAmps, 2 * darkAmps, darkSoon},
		} {
			if v, known := p.own.Get(x.q); known {
				x.d.step(p, v > x.most, x.limit)
			}
		}
	}
	confirmed := s.Ohm.Verdict == Fine || s.Net.Verdict == Fine
	return []finding{
		{[]reading.Quantity{reading.BatteryAmps}, n.Battery.Verdict == Bad && !confirmed, false, "its sign is reversed: the battery is said to charge at night"},
		{[]reading.Quantity{reading.PanelWatts}, n.Panel.Verdict == Bad, false, "a panel gives nothing at night"},
		{[]reading.Quantity{reading.ChargeAmps}, n.Charge.Verdict == Bad, false, "a panel charges nothing at night"},
	}
}

func (d *Dark) step(p poll, flows bool, limit time.Duration) {
	if !flows {
		d.For, d.Polls = 0, 0
		if d.Clean++; d.Clean >= 10 {
			d.Verdict = Fine
		}
		return
	}
	d.Polls, d.Clean = d.Polls+1, 0
	if p.fresh {
		d.For += p.dt
	}
	if d.For >= limit && d.Polls >= 6 {
		d.Verdict = Bad
	}
}
