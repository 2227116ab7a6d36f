package outbox

import (
	"maps"
	"slices"
	"strings"
	"time"

	"ebbwatch/alert"
)

const (
	stale = 10 * time.Minute // from this age on, what waits is merged
	limit = 200              // notices that may wait in one channel
	// refusals is how often a notice is tried that is refused each time: with the usual waits
	// for a week.
	refusals = 350
)

// merge makes one item of all those of an alarm whose oldest has waited for long. What is
// on its way stays as it is.
func merge(q Queue, now time.Time) Queue {
	old := map[string]bool{}
	for _, it := range q.Items {
		if _, seen := old[it.Notice.ID]; !seen {
			old[it.Notice.ID] = now.Sub(it.Put) >= stale
		}
	}
	return q.merged(func(id string) bool { return old[id] })
}

// merged makes one item of all those of an alarm that are not on their way, for the alarms
// that are wanted. It stands where the first of them stood.
func (q Queue) merged(wanted func(id string) bool) Queue {
	first := map[string]int{}
	items := make([]Item, 0, len(q.Items))
	for _, it := range q.Items {
		i, seen := first[it.Notice.ID]
		switch {
		case it.Flying || !wanted(it.Notice.ID):
			items = append(items, it)
		case !seen:
			first[it.Notice.ID] = len(items)
			items = append(items, it)
		default:
			items[i] = items[i].with(it)
			q.Merged++
		}
	}
	q.Items = items
	return q
}

// with is the one item that stands for both. The newer words count. What was never told
// stays a raise, and is not said to be over: it came and went.
func (it Item) with(newer Item) Item {
	n := newer.Notice
	switch {
	case it.Notice.Phase == alert.Raised && n.Phase == alert.Changed:
		n.Phase = alert.Raised
	case it.Notice.Phase == alert.Raised && n.Phase == alert.Cleared:
		n = n.CameAndWent(it.Notice.Title)
	}
	untold := it.Notice.Phase == alert.Raised && it.Tries == 0
	n.Facts = maps.Clone(n.Facts)
	if n.Facts == nil {
		n.Facts = map[string]float64{}
	}
	if untold {
		maps.DeleteFunc(n.Facts, func(name string, _ float64) bool { return strings.HasPrefix(name, alert.ToldAs) })
	}
	n.Facts["merged"] = max(1, it.Notice.Facts["merged"]) + max(1, newer.Notice.Facts["merged"])
	it.Notice, it.Refusal, it.Hold = n, newer.Refusal, newer.Hold // other words may be taken
	return it
}

// bound keeps a queue within the limit: first every alarm is merged whether stale or not,
// then the least grave and oldest go, those first whose alarm is over.
func bound(q Queue) Queue {
	if len(q.Items) <= limit {
		return q
	}
	q = q.merged(func(string) bool { return true })
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
