package modbus

import (
	"testing"
	"time"
)

// With answers that come late the order of asking is not that of hearing: a copy of what was
// heard last for an earlier try settles no later one, whose own answer may yet come.
func TestCopyOfLateAnswerSettlesNothing(t *testing.T) {
	t.Parallel()
	now := time.Now()
	at := func(d time.Duration) time.Time { return now.Add(d) }
	var r recent
	ask := Ask{Unit: 1, Table: Holding, Address: 10, Count: 1}
	doubtful, frame := seal([]byte{1, 3, 2, 0, 7}), seal([]byte{1, 3, 2, 0, 8})
	r.began = now
	for i := range 2 {
		r.add(ask, lateFor, at(time.Duration(i)*200*ms))
		r.same(doubtful, at(time.Duration(i)*200*ms+10*ms))
	}
	r.add(ask, lateFor, at(400*ms))
	r.answered(frame, at(410*ms)) // or to one of the tries before: all three are open
	if known, late := r.stray(frame, at(8900*ms), at(8900*ms)); !known || !late {
		t.Fatalf("the late answer to an earlier try: known %v, late %v", known, late)
	}
	if known, late := r.stray(frame, at(9300*ms), at(9300*ms)); !known || late {
		t.Errorf("its copy 0.4 s later: known %v, late %v; it must settle no other try", known, late)
	}
	if !r.list[1].open.After(at(9300*ms)) || !r.list[2].open.After(at(9300*ms)) {
		t.Errorf("the copy closed a try whose answer may yet come: open until %v and %v", r.list[1].open.Sub(now), r.list[2].open.Sub(now))
	}
}
