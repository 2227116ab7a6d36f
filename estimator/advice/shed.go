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

// shedShare is the part of the load that is priced as switched off, and shedName what it is
// called: nobody says what else a node could do without.
const (
	shedShare = 0.5
	shedName  = "half of the load"
)

// shedding prices each part of the day over as few nights as meet the budget, else a week.
func (d *desk) shedding() []Offer {
	var out []Offer
	for i, n := range nights() {
		on, count := n.hours()
		days, res := d.fewest(on)
		until := d.local(d.q.Now.Add(time.Duration(days) * 24 * time.Hour)).Format("Mon 2 Jan")
		o := d.offer(Shed, fmt.Sprintf("%s off %s until %s", shedName, n.text(), until), res, float64(i)+float64(count*days)/100, false)
		o.ActBy, o.From, o.To = d.nextStart(on), n.from, n.to
		out = append(out, o)
	}
	return out
}

// fewest finds by halving how many days the plan must be kept to meet the budget.
func (d *desk) fewest(on [24]bool) (int, outlook.Outcome) {
	run := func(days int) outlook.Outcome {
		a := outlook.Action{ShedHours: float64(days) * 24}
		for h := range on {
			if on[h] {
				a.Shed[h] = shedShare
			}
		}
		return d.f.Run(a, false)
	}
	lo, hi := 1, 7
	best := run(hi)
	if best.Cutoff.Within[withinWeek] > Budget {
		return hi, best
	}
	for lo < hi {
		mid := (lo + hi) / 2
		if o := run(mid); o.Cutoff.Within[withinWeek] <= Budget {
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

// nextStart is when the first night of the plan begins.
func (d *desk) nextStart(on [24]bool) time.Time {
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
