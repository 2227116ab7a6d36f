package advice

import (
	"fmt"
	"time"

	"ebbwatch/estimator/outlook"
)

// night is a part of the day in which the load may be shed.
type night struct {
	from, to int // hours of the local day
}

func nights() [4]night { return [4]night{{0, 6}, {23, 6}, {20, 7}, {0, 24}} }

func (n night) hours() (on [24]bool, count int) {
	for h := range 24 {
		if n.from < n.to && h >= n.from && h < n.to || n.from > n.to && (h >= n.from || h < n.to) {
			on[h], count = true, count+1
		}
	}
	return on, count
}

// shedding prices each part of the day over as few nights as meet the budget, else a week.
func (d *desk) shedding() []Offer {
	share := d.share()
	if share <= 0 {
		return nil
	}
	var out []Offer
	for i, n := range nights() {
		nightsKept, res := d.fewest(n, share)
		text := fmt.Sprintf("%s off %s until %s", d.name(), n.text(), d.until(nightsKept))
		_, count := n.hours()
		o := d.offer(Shed, text, res, float64(i)+float64(count*nightsKept)/100, false)
		o.ActBy, o.From, o.To = d.nextStart(n), n.from, n.to
		out = append(out, o)
	}
	return out
}

func (d *desk) name() string {
	if d.q.Owner.ShedName != "" {
		return d.q.Owner.ShedName
	}
	return "half of the load"
}

// share of the load that shedding takes off.
func (d *desk) share() float64 {
	level := d.q.State.Load.Level
	if w := d.q.Owner.ShedWatts; w > 0 && level > 0 {
		return min(1, w/level)
	}
	return 0.5
}

// fewest finds by halving how many days the plan must be kept to meet the budget.
func (d *desk) fewest(n night, share float64) (int, outlook.Outcome) {
	run := func(days int) outlook.Outcome {
		on, _ := n.hours()
		a := outlook.Action{ShedHours: float64(days) * 24}
		for h := range on {
			if on[h] {
				a.Shed[h] = share
			}
		}
		return d.f.Run(a, false)
	}
	lo, hi := 1, 7
	best := run(hi)
	if best.Cutoff.Within[withinWeek] > d.q.Owner.Budget {
		return hi, best
	}
	for lo < hi {
		mid := (lo + hi) / 2
		if o := run(mid); o.Cutoff.Within[withinWeek] <= d.q.Owner.Budget {
			hi, best = mid, o
		} else {
			lo = mid + 1
		}
	}
	return hi, best
}

func (n night) text() string {
	if n.to-n.from == 24 {
		return "all day"
	}
	return fmt.Sprintf("%02d–%02d h", n.from, n.to)
}

func (d *desk) local(t time.Time) time.Time {
	if z := d.q.Model.Site.Zone; z != nil {
		return t.In(z)
	}
	return t.UTC()
}

func (d *desk) until(days int) string {
	return d.local(d.q.Now.Add(time.Duration(days) * 24 * time.Hour)).Format("Mon 2 Jan")
}

// nextStart is when the first night of the plan begins.
func (d *desk) nextStart(n night) time.Time {
	on, _ := n.hours()
	now := d.local(d.q.Now)
	for h := range 24 {
		t := now.Truncate(time.Hour).Add(time.Duration(h) * time.Hour)
		if on[d.local(t).Hour()] {
			if t.Before(d.q.Now) {
				return d.q.Now
			}
			return t
		}
	}
	return d.q.Now
}
