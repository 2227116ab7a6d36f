package daemon

import (
	"time"

	"ebbwatch/cmd/internal/core"
	"ebbwatch/collector/reading"
)

// While power is saved the belief is kept half as often. What no warning may be lost from,
// [Alerts], is kept at once as ever.
const saveLate = time.Hour

// saveDue tells whether the belief is to be saved: as soon as there is one, and then at spans that
// grow from a minute. A board in a brown-out lives for minutes at a time, and would never get a
// belief if each start had to last for half an hour.
func (l *Loop) saveDue(now reading.Stamp) bool {
	least := l.saveNext
	if s := l.snapshot.Load(); s == nil || !s.BeliefKnown() {
		least = saveEvery // what else there is to keep
	}
	if now.Mono-l.saved < least {
		return false
	}
	longest := saveEvery
	if l.powerSave.Load() {
		longest = saveLate
	}
	l.saveNext = min(max(2*l.saveNext, saveFirst), longest)
	return true
}

// period is what a poller asks before each poll.
func (l *Loop) period(every time.Duration) func() time.Duration {
	return func() time.Duration {
		if l.powerSave.Load() {
			return l.real(core.Stretched(every))
		}
		return l.real(every)
	}
}

// savePower thins polls out, or ends that, when the belief says so.
func (l *Loop) savePower() {
	was := l.powerSave.Load()
	low := l.core.Low(was)
	if low == was {
		return
	}
	l.powerSave.Store(low)
	l.core.SetPowerSave(low)
	if low {
		l.Log.Warn("the battery is low: instruments are asked a third as often, and the record is written a third as often, until it recovers")
		return
	}
	l.Log.Info("the battery has recovered: instruments are asked as often as configured, and the record is written as usual")
}
