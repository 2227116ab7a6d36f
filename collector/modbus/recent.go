package modbus

import (
	"bytes"
	"slices"
	"time"
)

// How long what was asked can still be answered. No serial device that we know of answers
// later than lateFor, and gateways that queue give up sooner; where the owner declares a quick
// device, not later than lateTimes its time-out. A copy of an answer, as some
// gateways and adapters say it, comes within twiceFor of the first, or within twiceWorse times
// the slowest copy that this line was heard to make; what comes later than twiceMost is none.
const (
	lateFor    = 10 * time.Second
	lateTimes  = 20
	twiceFor   = 500 * time.Millisecond
	twiceWorse = 2
	twiceMost  = 2 * time.Second
	troubleFor = time.Hour       // a line that spoke out of turn is not trusted for so long
	apart      = 2 * time.Second // questions of one shape are this far apart where a shape is to be had
)

// recent remembers the questions of the last seconds and what came for each. RTU answers carry
// unit, function and length, and no address: what comes late or twice has the form of an answer
// to any other question of one shape. An answer is believed when no earlier question of its
// shape is still open, and it is not, byte for byte, what another question was answered with just
// now. A refusal carries no length either.
type recent struct {
	list    []asked
	began   time.Time         // when what is asked now was first tried
	copies  time.Duration     // the slowest copy heard
	copied  time.Time         // when an answer was last heard twice
	belated time.Time         // when one was last heard late
	silent  time.Time         // when none came
	touchy  map[Ask]time.Time // when an answer was last like another's
	narrow  map[Ask]bool      // nothing behind these registers can be read
	hasty   bool              // trust a line that never spoke out of turn; see [Bus.Hasty]
}

// asked is one question.
type asked struct {
	ask   Ask
	at    time.Time
	late  time.Time // an answer comes before, or never
	open  time.Time // the same while none has come
	frame []byte    // the answer or refusal, if it came
	heard time.Time // when
	alike bool      // the frame may have been a copy of another question's
}

// add notes a question that is about to be asked, and forgets those nothing can come for.
func (r *recent) add(a Ask, late time.Duration, now time.Time) {
	r.list = slices.DeleteFunc(r.list, func(q asked) bool { return now.Sub(q.at) > 2*lateFor })
	r.list = append(r.list, asked{ask: a, at: now, late: now.Add(late), open: now.Add(late)})
}

func (r *recent) last() *asked { return &r.list[len(r.list)-1] }

// answered notes what the last question was answered with. If an earlier try of it got the same,
// which was like another question's, then that was no copy; but where copies and late answers are
// both about, it may have been one of the very same number. While an earlier try is open, the
// answer may be to that, and one is still to come.
func (r *recent) answered(frame []byte, now time.Time) {
	q := r.last()
	q.frame, q.heard = frame, now
	sole := true
	for i := range r.list[:len(r.list)-1] {
		p := &r.list[i]
		if p.alike && !p.at.Before(r.began) && p.holds(q.ask, frame) && !r.both(now) {
			p.open = time.Time{}
		}
		sole = sole && !(p.open.After(now) && p.answeredBy(frame))
	}
	if sole {
		q.open = time.Time{}
	}
}

// holds tells whether what was heard for a question is in the answer to another that begins with
// the same registers.
func (q asked) holds(a Ask, frame []byte) bool {
	return q.ask.Unit == a.Unit && q.ask.Table == a.Table && q.ask.Address == a.Address && q.ask.Count <= a.Count &&
		len(q.frame) > exceptionSize && len(frame) > exceptionSize && bytes.HasPrefix(frame[3:], q.frame[3:len(q.frame)-2])
}

// same notes an answer to the last question that may be a copy of another's: the true one may
// yet come.
func (r *recent) same(frame []byte, now time.Time) {
	q := r.last()
	q.frame, q.heard, q.alike = frame, now, true
	if r.touchy == nil {
		r.touchy = map[Ask]time.Time{}
	}
	r.touchy[q.ask.bare()] = now
}

// spoilt notes that the answer to the last question came and could not be used.
func (r *recent) spoilt(now time.Time) {
	if !r.troubled(now) {
		r.last().open = now.Add(r.twice()) // a copy of it may come
	}
}

// twice is how long after an answer its copy can come.
func (r *recent) twice() time.Duration { return max(twiceFor, twiceWorse*r.copies) }

// openUntil is when the last answer to an earlier question of this shape can come; zero when
// none can. One that is asked again because what came for it was in doubt is not in its own way.
func (r *recent) openUntil(a Ask, now time.Time) (until time.Time) {
	if r.hasty && !r.troubled(now) {
		return until
	}
	for _, q := range r.list {
		if q.ask.shape() == a.shape() && (q.frame == nil || now.Sub(q.at) > holdLimit || !q.ask.same(a)) {
			until = later(until, q.open, now)
		}
	}
	return until
}

// copyUntil is until when a frame could be a copy of the answer to an earlier question; zero when
// it is none. On a line that spoke out of turn the same question counts as well: its true answer
// would come next, and be taken for that to yet another one.
func (r *recent) copyUntil(a Ask, frame []byte, now time.Time) (until time.Time) {
	if r.hasty && !r.troubled(now) {
		return until
	}
	for _, q := range r.list {
		own := q.ask.same(a) && (q.alike && now.Sub(q.at) < holdLimit || !r.troubled(now) && !lately(r.silent, now))
		if !own && bytes.Equal(q.frame, frame) {
			until = later(until, q.heard.Add(r.twice()), now)
			if q.alike && r.both(now) {
				until = later(until, q.late, now)
			}
		}
	}
	return until
}

// refusalUntil is until when a refusal by a device could be meant for another question than
// the last one; zero when it cannot.
func (r *recent) refusalUntil(now time.Time) (until time.Time) {
	a := r.last().ask
	for _, q := range r.list[:len(r.list)-1] {
		if q.ask.same(a) && !q.at.Before(r.began) || q.ask.Unit != a.Unit || q.ask.Table != a.Table || r.hasty && !r.troubled(now) {
			continue
		}
		until = later(until, q.open, now)
		if len(q.frame) == exceptionSize && (r.troubled(now) || lately(r.silent, now)) {
			until = later(until, q.heard.Add(r.twice()), now) // a device that is being learned refuses much
		}
	}
	return until
}

// later gives the later of two times, of those that lie ahead.
func later(until, t, now time.Time) time.Time {
	if t.After(now) && t.After(until) {
		return t
	}
	return until
}

// distinct asks for more registers than wanted, as many as no other question of the last
// seconds: nothing that is late or said again can pass for its answer.
func (r *recent) distinct(a Ask, now time.Time) (Ask, bool) {
	if r.narrow[a.bare()] {
		return a, false
	}
	for more := range a.Spare + 1 {
		p := a
		p.Count += more
		taken := slices.ContainsFunc(r.list, func(q asked) bool {
			return q.ask.shape() == p.shape() && (q.open.After(now) || now.Sub(q.heard) < max(apart, r.twice()))
		})
		if !taken {
			return p, true
		}
	}
	return a, false
}

// choose gives the question to ask for what is wanted, and until when the line must be listened
// to before. doubt is until when what the last try heard could be meant for another question.
func (r *recent) choose(a Ask, doubt, now time.Time) (q Ask, wait time.Time) {
	wait = later(r.openUntil(a, now), doubt, now)
	if t, touchy := r.touchy[a.bare()]; !wait.IsZero() || touchy && now.Sub(t) < troubleFor {
		if p, ok := r.distinct(a, now); ok {
			return p, time.Time{}
		}
	}
	return a, wait
}

// tooWide notes that registers behind those wanted cannot be read.
func (r *recent) tooWide(a Ask) {
	if r.narrow == nil {
		r.narrow = map[Ask]bool{}
	}
	r.narrow[a.bare()] = true
}

// stray sorts a frame that came while nothing, or something else, was asked, or lay in a buffer
// since. known tells that it belongs to a question of ours; late, that it is an answer that was
// given up. Nobody listened between since and now.
func (r *recent) stray(f []byte, since, now time.Time) (known, late bool) {
	var heard time.Time
	times := 0
	for _, q := range r.list {
		if bytes.Equal(q.frame, f) {
			if times++; q.heard.After(heard) { // late answers are not heard in the order of asking
				heard = q.heard
			}
		}
	}
	open := slices.IndexFunc(r.list, func(q asked) bool { return q.open.After(now) && q.answeredBy(f) })
	if open < 0 && heard.IsZero() { // it may have come in time, and lain in a buffer
		open = slices.IndexFunc(r.list, func(q asked) bool { return q.frame == nil && q.answeredBy(f) })
	}
	switch {
	case !heard.IsZero() && open < 0: // said again
		if d := now.Sub(heard); times == 1 && len(f) > exceptionSize && d < twiceMost { // else nobody knows of which
			r.copies = max(r.copies, d)
		}
		r.copied = now
		return true, false
	case open < 0:
		return false, false
	case !heard.IsZero() && since.Sub(heard) <= r.twice(), len(f) == exceptionSize && !r.onlyOpen(open, now):
		return true, false // late or said again, nobody can tell: the question stays open
	}
	q := &r.list[open]
	q.open, q.frame, q.heard, q.alike, r.belated = time.Time{}, f, now, false, now
	return true, true
}

// answeredBy tells whether a frame has the form of an answer or a refusal to a question.
func (q asked) answeredBy(f []byte) bool {
	if f[0] != q.ask.Unit || f[1]&0x7F != byte(q.ask.Table) {
		return false
	}
	return len(f) == exceptionSize || len(f) == 5+q.ask.shape().size && int(f[2]) == q.ask.shape().size
}

// onlyOpen tells whether no other question waits for a refusal of this unit and function.
func (r *recent) onlyOpen(i int, now time.Time) bool {
	for k, q := range r.list {
		if k != i && q.open.After(now) && q.ask.Unit == r.list[i].ask.Unit && q.ask.Table == r.list[i].ask.Table {
			return false
		}
	}
	return true
}

// both tells whether answers come twice here, and late as well or not at all: then what came
// twice is no sign that the other answer has come.
func (r *recent) both(now time.Time) bool {
	return lately(r.copied, now) && (lately(r.belated, now) || lately(r.silent, now))
}

// troubled tells whether the line spoke out of turn lately.
func (r *recent) troubled(now time.Time) bool { return lately(r.copied, now) || lately(r.belated, now) }

func lately(t, now time.Time) bool { return !t.IsZero() && now.Sub(t) < troubleFor }
