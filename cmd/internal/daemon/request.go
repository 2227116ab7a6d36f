package daemon

import (
	"encoding/json"
	"fmt"
	"time"

	"ebbwatch/alert"
	"ebbwatch/cmd/internal/core"
)

// Collect hands over the requests that were left in a state folder, if it can hold any, and
// counts those that can be read.
func Collect(from Store, do func(core.Request) error) (taken int, err error) {
	box, ok := from.(interface {
		Collect(take func([]byte) error) error
	})
	if !ok {
		return 0, nil
	}
	err = box.Collect(func(data []byte) error {
		var r core.Request
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
func (l *Loop) remember(r core.Request, now time.Time) {
	site := l.Plan.Site
	n := alert.Notice{
		Site: site, Rule: "maintenance", Severity: alert.Info, At: now, Since: now, Text: r.Why, Advice: []string{}, Facts: map[string]float64{},
	}
	switch {
	case l.Noticed == nil:
		return
	case r.Acknowledge != "" || r.Alarm != "":
		n.Rule, n.Phase, n.Title = "owner", alert.Raised, site+": "+r.Words()
	case r.Silence > 0:
		n.Phase, n.Title = alert.Raised, site+": maintenance: "+r.Why
	case r.End && r.Why != "":
		n.Phase, n.Title = alert.Cleared, site+": done: "+r.Why
	default:
		return
	}
	n.ID = site + "." + n.Rule + "." + now.UTC().Format("20060102T150405Z")
	l.Noticed(n)
}

// collect takes the requests that were left.
func (l *Loop) collect(now time.Time) {
	taken, err := Collect(l.Store, func(r core.Request) error {
		if err := l.core.Do(r, now); err != nil {
			return err
		}
		l.Log.Info("the owner asked for this", "what", r.Words(), "why", r.Why)
		l.remember(r, now)
		return nil
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
