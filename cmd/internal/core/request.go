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
	Acknowledge string        `json:"acknowledge,omitempty"` // the id of an alarm
	NewBattery  bool          `json:"new_battery,omitempty"` // it was replaced: forget the old one
}

// Alerts does what is asked of the alarms, of a node or of a watcher. The error names what
// could not be done; the rest is done.
func (r Request) Alerts(s alert.State, now time.Time) (alert.State, error) {
	if r.End {
		s = s.Unsilenced()
	}
	if r.Silence > 0 {
		s = s.Silenced(now, r.Silence, r.Why)
	}
	if r.Acknowledge == "" {
		return s, nil
	}
	next, ok := s.Acknowledge(r.Acknowledge)
	if !ok {
		return s, fmt.Errorf("there is no active alarm %q", r.Acknowledge)
	}
	return next, nil
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
