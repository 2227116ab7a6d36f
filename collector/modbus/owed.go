package modbus

import (
	"slices"
	"time"
)

// owedFor is how long an answer that did not come is still expected. No serial device
// that we know of answers later; gateways that queue may.
const owedFor = 10 * time.Second

// owed remembers the answers that did not come. One that comes late would pass for the
// answer to the next question of the same shape, since RTU answers carry no address.
type owed struct {
	list []debt
}

type debt struct {
	shape shape
	asked time.Time
}

func (o *owed) add(s shape, now time.Time) {
	o.expire(now)
	o.list = append(o.list, debt{s, now})
	if len(o.list) > 32 {
		o.list = o.list[1:]
	}
}

// drop forgets the last one.
func (o *owed) drop() { o.list = o.list[:max(0, len(o.list)-1)] }

// settled forgets what a unit owed: it has answered a later question, and a device answers
// in the order in which it was asked.
func (o *owed) settled(unit byte) {
	kept := o.list[:0]
	for _, d := range o.list {
		if d.shape.unit != unit {
			kept = append(kept, d)
		}
	}
	o.list = kept
}

func (o *owed) expire(now time.Time) {
	kept := o.list[:0]
	for _, d := range o.list {
		if now.Sub(d.asked) < owedFor {
			kept = append(kept, d)
		}
	}
	o.list = kept
}

// fits tells whether a late answer could pass for the answer to a question of this shape.
func (o *owed) fits(s shape, now time.Time) bool {
	o.expire(now)
	return o.owes(s)
}

// owes tells whether a question of a shape was asked in vain.
func (o *owed) owes(s shape) bool {
	return slices.ContainsFunc(o.list, func(d debt) bool { return d.shape == s })
}

// probe is a question whose answer no late one can pass for: the same registers, but
// fewer or more of them. A refusal is as good an answer as any.
func (o *owed) probe(a Ask) Ask {
	p := a
	for p.Count = a.Count - 1; p.Count >= 1; p.Count-- {
		if !o.owes(p.shape()) {
			return p
		}
	}
	for p.Count = a.Count + 1; p.Count <= maxRead; p.Count++ {
		if !o.owes(p.shape()) && int(p.Address)+p.Count <= 65536 {
			return p
		}
	}
	p.Count = a.Count // every shape is owed: 32 in all, so this cannot be
	return p
}
