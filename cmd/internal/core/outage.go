package core

import (
	"time"

	"ebbwatch/collector/reading"
)

// Outage is the last time in which the load was off or the node silent, on the belief's clock.
type Outage struct {
	Began  time.Duration // of the one that lasts, while Dark
	Dark   bool
	Ended  time.Duration // of the last one that is over
	Lasted time.Duration
	Empty  bool    // the battery was as good as empty before it
	Count  float64 // that ended so far
	// Said is the chance of a cut-off within three days as it stood when the outage began, that
	// lasts or was the last; Ahead that of one to come. Nil is that nothing was said.
	Said, Ahead *float64 `json:",omitempty"`
}

// shortestOutage is less than any cut-off that leaves a battery empty: what is shorter is a
// restart, or somebody at work.
const shortestOutage = 3 * time.Hour

// within72h is the index of three days in [outlook.Withins].
const within72h = 2

// followOutage notes when the load went and came back, and a silence of the node itself, as
// soon as it is known how long that was.
func (c *Core) followOutage(now reading.Stamp) {
	o, at := &c.memory.Outage, now.Mono+c.shift
	if c.absent && !c.memory.Lost {
		c.absent = false
		began, back := c.leftAt, c.first.Mono+c.shift
		if o.Dark {
			began = o.Began
		} else {
			o.Said = o.Ahead
		}
		if o.Dark = false; back-began >= shortestOutage {
			o.end(began, back, c.leftEmpty)
		}
	}
	switch dark := c.memory.Outlook.Cutoff.Dark; {
	case dark && !o.Dark:
		o.Dark, o.Began, o.Said = true, at, o.Ahead
	case !dark && o.Dark:
		if o.Dark = false; at-o.Began >= shortestOutage {
			o.end(o.Began, at, true)
		}
	}
}

func (o *Outage) end(began, ended time.Duration, empty bool) {
	o.Ended, o.Lasted, o.Empty = ended, ended-began, empty
	o.Count++
}

// outageFacts tells of the last outage, for some days after it.
func (c *Core) outageFacts(now reading.Stamp, x map[string]float64) {
	o := c.memory.Outage
	if o.Count == 0 || o.Dark || c.absent {
		return
	}
	x["back_hours_ago"], x["outage_hours"], x["outages"] = (now.Mono + c.shift - o.Ended).Hours(), o.Lasted.Hours(), o.Count
	x["outage_of_empty_battery"] = oneIf(o.Empty)
	if o.Said != nil {
		x["outage_said_chance"] = *o.Said
	}
}
