package sim

import (
	"context"
	"errors"
	"time"

	"ebbwatch/collector"
	"ebbwatch/collector/reading"
)

// A demonstration lives a day in a minute, so a machine that is busy for a second would make the
// site silent for half an hour: its time therefore waits for who asks it. It stands still while a
// question is on the wire, and runs no further ahead of the last answer than a question and a
// half. A slower machine tells the same story, later.

// asking is one source that the site's time waits for.
type asking struct {
	src      collector.Source
	live     *Live
	every    time.Duration // of the site's time
	answered time.Time     // the site's moment at its last answer
}

// The limits of one question, of real time: long enough for a machine under full load.
const (
	askLimit = 20 * time.Second
	askTries = 5
)

// Waited is a source whose questions the site's time waits for; every is how much of the site's
// time lies between them. An answer that the machine was too slow for is asked for again; where
// the site itself is silent the error stays. It must be made before [Live.Begin].
func (l *Live) Waited(src collector.Source, every time.Duration) collector.Source {
	a := &asking{src: src, live: l, every: every, answered: l.now}
	l.waits = append(l.waits, a)
	return a
}

// Read implements [collector.Source].
func (a *asking) Read(ctx context.Context) (values []reading.Value, err error) {
	a.live.hold()
	defer a.live.release(a)
	// The caller's limit is a part of a period, which is too short here; its end is not.
	patient, cancel := context.WithTimeout(context.WithoutCancel(ctx), askLimit)
	defer cancel()
	defer context.AfterFunc(ctx, func() {
		if errors.Is(ctx.Err(), context.Canceled) {
			cancel()
		}
	})()
	for range askTries {
		if values, err = a.src.Read(patient); err == nil || a.live.silent() || patient.Err() != nil {
			break
		}
	}
	return values, err
}

// hold stops the site's time, release lets it go on.
func (l *Live) hold() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.moment()
	l.held++
}

func (l *Live) release(a *asking) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.moment()
	l.held--
	a.answered = l.now
}

// silent tells whether the site's controller does not answer by its own doing.
func (l *Live) silent() (yes bool) {
	l.Look(func(s *Site) { yes = s.Silent() })
	return yes
}

// leash is the latest moment that the site's time may reach before somebody is answered.
func (l *Live) leash() (latest time.Time, bound bool) {
	for _, a := range l.waits {
		if end := a.answered.Add(a.every + a.every/2); !bound || end.Before(latest) {
			latest, bound = end, true
		}
	}
	return latest, bound
}
