package outbox

import (
	"cmp"
	"maps"
	"slices"
	"time"

	"ebbwatch/alert"
)

// merge makes one item of all those of an alarm whose oldest has waited for long. What is
// on its way stays as it is.
func (b Box) merge(q Queue, now time.Time) Queue {
	stale := cmp.Or(b.Stale, 10*time.Minute)
	for _, head := range q.heads() {
		if now.Sub(head.Put) >= stale {
			q = q.merged(head.Notice.ID)
		}
	}
	return q
}

// merged makes one item of all those of an alarm that are not on their way. It stands where
// the first of them stood.
func (q Queue) merged(id string) Queue {
	first := -1
	var items []Item
	for _, it := range q.Items {
		switch {
		case it.Notice.ID != id || it.Flying:
			items = append(items, it)
		case first < 0:
			first = len(items)
			items = append(items, it)
		default:
			items[first] = items[first].with(it)
			q.Merged++
		}
	}
	q.Items = items
	return q
}

// with is the one item that stands for both. The newer words count. What was never told
// stays a raise, and a clear tells of both ends: it says when the alarm began.
func (it Item) with(newer Item) Item {
	n := newer.Notice
	if it.Notice.Phase == alert.Raised && n.Phase == alert.Changed {
		n.Phase = alert.Raised
	}
	n.Facts = maps.Clone(n.Facts)
	if n.Facts == nil {
		n.Facts = map[string]float64{}
	}
	n.Facts["merged"] = max(1, it.Notice.Facts["merged"]) + max(1, newer.Notice.Facts["merged"])
	it.Notice = n
	return it
}

// bound keeps a queue within the limit: first every alarm is merged whether stale or not,
// then the least grave and oldest go, those first whose alarm is over.
func (b Box) bound(q Queue) Queue {
	limit := cmp.Or(b.Limit, 200)
	if len(q.Items) <= limit {
		return q
	}
	for _, head := range q.heads() {
		q = q.merged(head.Notice.ID)
	}
	for len(q.Items) > limit {
		i := q.leastNeeded()
		if i < 0 {
			break
		}
		q.Items = slices.Delete(q.Items, i, i+1)
		q.Dropped++
	}
	return q
}

func (q Queue) leastNeeded() int {
	best := -1
	for i, it := range q.Items {
		if !it.Flying && (best < 0 || it.lessNeeded(q.Items[best])) {
			best = i
		}
	}
	return best
}

func (it Item) lessNeeded(than Item) bool {
	if c := graver(than, it); c != 0 {
		return c < 0
	}
	return it.Notice.Phase == alert.Cleared && than.Notice.Phase != alert.Cleared
}
