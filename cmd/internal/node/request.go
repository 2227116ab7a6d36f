package node

import (
	"encoding/json"
	"errors"
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

// Collect hands over the requests that were left in a state folder, if it can hold any, and
// counts those that can be read.
func Collect(from Store, do func(Request) error) (taken int, err error) {
	box, ok := from.(interface {
		Collect(take func([]byte) error) error
	})
	if !ok {
		return 0, nil
	}
	err = box.Collect(func(data []byte) error {
		var r Request
		if err := json.Unmarshal(data, &r); err != nil {
			return fmt.Errorf("it is not a request: %w", err)
		}
		taken++
		return do(r)
	})
	return taken, err
}

// remember puts maintenance on record, with what is done or was done. It is kept with the
// notices, for whoever looks back, and sent to nobody.
func (l *Loop) remember(r Request, now time.Time) {
	site := l.Plan.Site
	n := alert.Notice{
		Site: site, Rule: "maintenance", Severity: alert.Info, At: now, Since: now, Text: r.Why, Advice: []string{}, Facts: map[string]float64{},
	}
	switch {
	case l.Noticed == nil:
		return
	case r.Silence > 0:
		n.Phase, n.Title = alert.Raised, site+": maintenance: "+r.Why
	case r.End && r.Why != "":
		n.Phase, n.Title = alert.Cleared, site+": done: "+r.Why
	default:
		return
	}
	n.ID = site + ".maintenance." + now.UTC().Format("20060102T150405Z")
	l.Noticed(n)
}

// collect takes the requests that were left.
func (l *Loop) collect(now time.Time) {
	taken, err := Collect(l.Store, func(r Request) error {
		l.remember(r, now)
		return l.core.request(r, now)
	})
	if err != nil {
		l.logOnce("requests", err)
	}
	if taken > 0 {
		l.Log.Info("the owner's requests were taken", "count", taken)
		l.keepAlerts()
	}
}

// logOnce logs a failure when it is new.
func (l *Loop) logOnce(what string, err error) {
	if text := err.Error(); l.problems["once "+what] != text {
		l.problems["once "+what] = text
		l.Log.Warn("a request could not be used", "err", err)
	}
}

// request does what the owner asked.
func (c *Core) request(r Request, now time.Time) error {
	var errs []error
	if r.End {
		c.engine = c.engine.Unsilenced()
	}
	if r.Silence > 0 {
		c.engine = c.engine.Silenced(now, r.Silence, r.Why)
	}
	if r.Acknowledge != "" {
		next, ok := c.engine.Acknowledge(r.Acknowledge)
		if !ok {
			errs = append(errs, fmt.Errorf("there is no active alarm %q", r.Acknowledge))
		}
		c.engine = next
	}
	if r.NewBattery {
		c.memory.Belief = c.battery.Replaced(c.memory.Belief)
	}
	return errors.Join(errs...)
}

// maintained tells whether somebody works at the node: what is seen then teaches nothing.
func (c *Core) maintained() bool { return c.engine.Silence != nil }
