package history

import (
	"context"
	"log/slog"
	"slices"
	"time"

	"ebbwatch/cmd/internal/facts"
)

// Recorder keeps snapshots at the pace that their content calls for. It writes less often while
// all is well, and while the node spares power. When the load may go at any time it writes at
// once, and from then on as often as is usual, so that a cut costs no more than at other times;
// no oftener, since that is when power is dearest. It is used by one goroutine.
type Recorder struct {
	s       *Store
	log     *slog.Logger
	flushed time.Duration // when it last wrote early, on the monotonic clock
	was     bool          // the load might go at any time, at the snapshot before
}

// NewRecorder keeps snapshots in a store.
func NewRecorder(s *Store, log *slog.Logger) *Recorder { return &Recorder{s: s, log: log} }

// Spans between early writes: while power is spared, and at least.
const (
	flushUsual = 5 * time.Minute
	flushApart = time.Minute
)

// Keep takes a snapshot. It does not wait for the card.
func (r *Recorder) Keep(ctx context.Context, snap *facts.Snapshot) {
	p := pace(snap)
	r.s.SetPace(p)
	r.s.Add(snap)
	is, since := atRisk(snap), snap.At.Mono-r.flushed
	begins := is && !r.was && since >= flushApart
	r.was = is
	if !begins && !(is && p == Sparing && since >= flushUsual) { // the store does the rest by itself
		return
	}
	r.flushed = snap.At.Mono
	go func() { // a slow card must not make the node wait
		ctx, cancel := context.WithTimeout(ctx, flushUsual)
		defer cancel()
		if err := r.s.Flush(ctx); err != nil {
			r.log.Debug("history was not written early", "err", err)
		}
	}()
}

// atRisk tells whether the load may go at any time now: by the belief, or within 3 h with a
// chance of 10 %.
func atRisk(s *facts.Snapshot) bool {
	return s.Belief.Low < 0.05 || s.OutlookKnown() && s.Outlook.Cutoff.P10 < 3
}

// pace is how much the card is to be written now.
func pace(s *facts.Snapshot) Pace {
	switch {
	case s.Extra["writes_thinned"] == 1:
		return Sparing
	case well(s):
		return Calm
	}
	return Usual
}

// well tells whether nothing grave is amiss and the load will hardly go within a day, as far as
// anybody can say.
func well(s *facts.Snapshot) bool {
	grave := slices.ContainsFunc(s.Alarms, func(a facts.Alarm) bool { return a.Severity == "critical" })
	return s.Ready && !grave && s.Belief.Low > s.Battery.Reserve &&
		s.OutlookKnown() && !s.Outlook.Dark && !(s.Outlook.Cutoff.P10 < 24) // not a number: beyond the horizon
}
