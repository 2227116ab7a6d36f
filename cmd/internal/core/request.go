package core

import (
	"fmt"
	"time"

	"ebbwatch/alert"
)

// Request is what the owner asks of a running daemon, left in its state folder: the daemon
// takes no orders over the network.
type Request struct {
	Silence     time.Duration `json:"silence,omitempty"` // start maintenance for so long
	Why         string        `json:"why,omitempty"`
	End         bool          `json:"end,omitempty"`         // end maintenance
	Alarm       string        `json:"alarm,omitempty"`       // Silence and End are of this alarm or rule alone
	Acknowledge string        `json:"acknowledge,omitempty"` // an alarm: its id, or its rule
	NewBattery  bool          `json:"new_battery,omitempty"` // it was replaced: forget the old one
}

// Alerts does what is asked of the alarms, of a node or of a watcher. The error names what
// could not be done; the rest is done.
func (r Request) Alerts(s alert.State, now time.Time) (alert.State, error) {
	var ok bool
	switch {
	case r.Acknowledge != "":
		if s, ok = s.Acknowledge(r.Acknowledge); !ok {
			return s, noSuch("active alarm", r.Acknowledge)
		}
	case r.Alarm != "" && r.End:
		if s, ok = s.Unmuted(r.Alarm); !ok {
			return s, noSuch("muted alarm or rule", r.Alarm)
		}
	case r.Alarm != "":
		if s, ok = s.Muted(r.Alarm, r.Silence, r.Why); !ok {
			return s, noSuch("alarm or rule", r.Alarm)
		}
	case r.Silence > 0:
		s = s.Silenced(now, r.Silence, r.Why)
	case r.End:
		s = s.Unsilenced()
	}
	return s, nil
}

func noSuch(what, name string) error {
	return fmt.Errorf("there is no %s %q: status and the page show the id of each alarm", what, name)
}

// Words says what is asked, for the log and the record.
func (r Request) Words() string {
	switch {
	case r.Acknowledge != "":
		return r.Acknowledge + " was seen"
	case r.Alarm != "" && r.End:
		return r.Alarm + " is heard again"
	case r.Alarm != "":
		return fmt.Sprintf("%s is muted for %s", r.Alarm, r.Silence)
	case r.NewBattery:
		return "a new battery"
	}
	return "maintenance"
}

// Do does what the owner asked. The error names what could not be done; the rest is done.
func (c *Core) Do(r Request, now time.Time) (err error) {
	c.engine, err = r.Alerts(c.engine, now)
	if r.NewBattery {
		c.memory.Belief = c.battery.Replaced(c.memory.Belief)
	}
	return err
}

// maintained tells whether somebody works at the node: what is seen then teaches nothing.
func (c *Core) maintained() bool { return c.engine.Silence != nil }

// Alerts is the state of the alarms, to be kept before a notice is sent.
func (c *Core) Alerts() alert.State { return c.engine }

// SetAlerts takes up the alarms that an earlier run kept.
func (c *Core) SetAlerts(s alert.State) { c.engine = s }
