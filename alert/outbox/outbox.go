package outbox

import (
	"cmp"
	"hash/fnv"
	"slices"
	"time"

	"ebbwatch/alert"
)

// Channel is one way to the owner, and what it takes.
type Channel struct {
	Name  string
	Least alert.Severity // the least grave that it takes; empty: everything
	// Rules and Phases are the only ones that it takes; empty: all.
	Rules  []string
	Phases []alert.Phase
	// Escalated: it takes only what nobody acknowledged in time, and the end of that. It is
	// for the second person.
	Escalated bool
}

// Box is the settings; it holds no state. Zero values stand for those in brackets.
type Box struct {
	Channels []Channel
	Base     time.Duration // wait after the first failure [15 s]
	Cap      time.Duration // the longest wait between tries [30 min]
}

// State is what waits. It is plain data that marshals to JSON; the zero State is empty. A
// State that was handed out is never changed again.
type State struct {
	Queues map[string]Queue `json:"queues"` // by channel
	Seq    uint64           `json:"seq"`
}

// Queue is what waits for one channel, oldest first.
type Queue struct {
	Items   []Item `json:"items"`
	Hold    Hold   `json:"hold"`            // no try before
	Fails   int    `json:"fails,omitempty"` // tries in a row that failed, refusals aside
	Err     string `json:"err,omitempty"`   // of the last try
	Sent    uint64 `json:"sent"`            // notices that were taken
	Failed  uint64 `json:"failed"`          // tries that failed
	Refused uint64 `json:"refused"`         // notices that were refused, each counted once
	Dropped uint64 `json:"dropped"`         // notices that the limit pushed out, or that were refused to the end
	Merged  uint64 `json:"merged"`          // notices that another one made needless
}

// Item is one notice that waits.
type Item struct {
	Seq    uint64       `json:"seq"`
	Notice alert.Notice `json:"notice"`
	Put    time.Time    `json:"put"` // when the oldest notice in it came
	Tries  int          `json:"tries,omitempty"`
	// Refusal is why the receiver turned it down; Hold is until it is tried again then.
	Refusal string `json:"refusal,omitempty"`
	Hold    Hold   `json:"hold"`
	// Flying: it was handed out and nobody said yet how it went. It is not persisted, so
	// that after a restart it is sent again.
	Flying bool `json:"-"`
}

// Hold keeps something back for a while. It holds its start too, so that a clock that
// steps back does not hold it for years.
type Hold struct {
	From time.Time     `json:"from,omitzero"`
	Wait time.Duration `json:"wait,omitempty"`
}

func (h Hold) over(now time.Time) bool {
	gap := now.Sub(h.From)
	return gap >= h.Wait || gap < 0
}

// Delivery is one notice to be sent on one channel.
type Delivery struct {
	Channel string
	Seq     uint64
	Notice  alert.Notice
}

// Put queues a notice for every channel that takes it.
func (b Box) Put(s State, n alert.Notice, now time.Time) State {
	s = b.copied(s)
	s.Seq++
	for _, c := range b.Channels {
		q := s.Queues[c.Name]
		if !c.takes(n) {
			continue
		}
		q.Items = append(q.Items, Item{Seq: s.Seq, Notice: n, Put: now})
		s.Queues[c.Name] = bound(merge(q, now))
	}
	return s
}

func (c Channel) takes(n alert.Notice) bool {
	_, escalated := n.Facts["escalated"]
	if len(c.Rules) > 0 && !slices.Contains(c.Rules, n.Rule) || len(c.Phases) > 0 && !slices.Contains(c.Phases, n.Phase) {
		return false
	}
	return n.Severity.AtLeast(c.Least) && (escalated || !c.Escalated)
}

// Due hands out what is to be sent now: at most one notice a channel, and none where one is
// still on its way.
func (b Box) Due(s State, now time.Time) (State, []Delivery) {
	var due []Delivery
	s = b.copied(s)
	for _, c := range b.Channels {
		q := merge(s.Queues[c.Name], now)
		if i := q.pick(now); i >= 0 {
			q.Items[i].Flying = true
			due = append(due, Delivery{Channel: c.Name, Seq: q.Items[i].Seq, Notice: q.Items[i].Notice})
		}
		s.Queues[c.Name] = q
	}
	return s, due
}

// Next is how long from now nothing becomes due by waiting alone; ok is false when nothing
// waits for its time.
func (b Box) Next(s State, now time.Time) (wait time.Duration, ok bool) {
	for _, c := range b.Channels {
		q := s.Queues[c.Name]
		if q.flying() {
			continue
		}
		for _, it := range q.heads() {
			w := max(q.Hold.left(now), it.Hold.left(now))
			if !ok || w < wait {
				wait, ok = w, true
			}
		}
	}
	return wait, ok
}

func (h Hold) left(now time.Time) time.Duration {
	if h.over(now) {
		return 0
	}
	return h.Wait - now.Sub(h.From)
}

// Done tells how a delivery went. After an error the notice is tried again, not before the
// time that the receiver named. One that is [alert.Refused] is about this notice, which alone
// waits and in the end is given up; any other is about the channel.
func (b Box) Done(s State, d Delivery, err error, now time.Time) State {
	s = b.copied(s)
	q, found := s.Queues[d.Channel]
	i := slices.IndexFunc(q.Items, func(it Item) bool { return it.Seq == d.Seq && it.Flying })
	if !found || i < 0 {
		return s
	}
	switch {
	case err == nil:
		q = q.without(i)
		q.Sent++
		q.Fails, q.Err, q.Hold = 0, "", Hold{}
	case alert.IsRefused(err):
		q = b.refuse(q, i, err, now)
	default:
		b.fail(&q, i, err, now)
	}
	s.Queues[d.Channel] = merge(q, now)
	return s
}

func (q Queue) without(i int) Queue {
	q.Items = slices.Delete(q.Items, i, i+1)
	return q
}

func (b Box) fail(q *Queue, i int, err error, now time.Time) {
	it := &q.Items[i]
	q.Failed++
	q.Fails++
	q.Err = err.Error()
	it.Flying = false
	it.Tries++
	q.Hold = Hold{From: now, Wait: max(b.wait(q.Fails, it.Notice.ID), min(alert.RetryWait(err), 24*time.Hour))}
}

func (b Box) refuse(q Queue, i int, err error, now time.Time) Queue {
	it := &q.Items[i]
	q.Failed++
	q.Err = err.Error()
	if it.Refusal == "" {
		q.Refused++
	}
	it.Flying, it.Refusal = false, q.Err
	it.Tries++
	it.Hold = Hold{From: now, Wait: b.wait(it.Tries, it.Notice.ID)}
	if it.Tries >= refusals {
		q.Dropped++
		return q.without(i)
	}
	return q
}

// Refusing is how many notices wait that the receiver turned down, and why it did the oldest.
func (q Queue) Refusing() (n int, why string) {
	for _, it := range q.Items {
		if it.Refusal != "" {
			n, why = n+1, cmp.Or(why, it.Refusal)
		}
	}
	return n, why
}

// wait doubles with each try up to the cap. A share that depends on the id alone spreads
// nodes that lost the same link.
func (b Box) wait(tries int, id string) time.Duration {
	w := cmp.Or(b.Base, 15*time.Second)
	limit := cmp.Or(b.Cap, 30*time.Minute)
	for range tries - 1 {
		if w = min(2*w, limit); w == limit {
			break
		}
	}
	h := fnv.New32a()
	h.Write([]byte(id))
	return w - w/4*time.Duration(h.Sum32()%100)/100
}

// pick chooses among the first items of each subject what is critical, then the oldest: so
// they arrive in the order in which a person would have heard of them. While the channel
// fails every other try goes to the one that was tried the least: it may be the notice, not
// the channel, that is to blame.
func (q Queue) pick(now time.Time) int {
	if q.flying() || !q.Hold.over(now) {
		return -1
	}
	heads := q.heads()
	heads = slices.DeleteFunc(heads, func(it Item) bool { return !it.Hold.over(now) })
	if len(heads) == 0 {
		return -1
	}
	first := slices.MinFunc(heads, func(a, b Item) int {
		least := 0
		if q.Fails%2 == 1 {
			least = cmp.Compare(a.Tries, b.Tries)
		}
		return cmp.Or(least, cmp.Compare(a.urgency(), b.urgency()), cmp.Compare(a.Seq, b.Seq))
	})
	return slices.IndexFunc(q.Items, func(it Item) bool { return it.Seq == first.Seq })
}

// urgency is 0 for what is critical and not over.
func (it Item) urgency() int {
	if it.Notice.Severity == alert.Critical && it.Notice.Phase != alert.Cleared {
		return 0
	}
	return 1
}

func graver(a, b Item) int {
	x, y := a.Notice.Severity, b.Notice.Severity
	switch {
	case x == y:
		return 0
	case x.AtLeast(y):
		return -1
	}
	return 1
}

func (q Queue) flying() bool {
	return slices.ContainsFunc(q.Items, func(it Item) bool { return it.Flying })
}

// heads are the oldest items of each subject.
func (q Queue) heads() []Item {
	var heads []Item
	seen := map[string]bool{}
	for _, it := range q.Items {
		if s := it.Notice.Subject(); !seen[s] {
			heads = append(heads, it)
			seen[s] = true
		}
	}
	return heads
}

// Waiting is how many notices wait for a channel.
func (s State) Waiting(channel string) int { return len(s.Queues[channel].Items) }

// copied is a State that may be changed. Queues of channels that are no longer configured
// are left out.
func (b Box) copied(s State) State {
	old := s.Queues
	s.Queues = make(map[string]Queue, len(b.Channels))
	for _, c := range b.Channels {
		q := old[c.Name]
		q.Items = slices.Clone(q.Items)
		s.Queues[c.Name] = q
	}
	return s
}
