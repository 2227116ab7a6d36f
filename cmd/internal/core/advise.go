package core

import (
	"math"
	"slices"
	"strings"
	"time"

	"ebbwatch/alert"
	"ebbwatch/collector/reading"
	"ebbwatch/estimator/advice"
)

// advise works out what actions would buy, when the chance of a cut-off is worth it.
func (c *Core) advise(now reading.Stamp) {
	c.advised = now.Mono
	c.offers = nil
	if c.outlook.At.IsZero() || !(c.outlook.Cutoff.Within[weekAhead] > advice.Budget) {
		return
	}
	c.offers = advice.Prices(advice.Question{
		Model: c.ahead, State: &c.memory.Outlook, Belief: c.belief, Now: now.Wall,
		Forecast: c.forecast, Seed: c.plan.Seed, TripHours: c.plan.TripHours,
	})
	for i, o := range c.offers {
		c.offers[i].Before, c.offers[i].After = c.calibrated(now, o)
	}
}

// calibrated is what an offer changes, tuned as the outlook's own chance is: it is the same
// chance, over the same span, that an action is said to lower.
func (c *Core) calibrated(now reading.Stamp, o advice.Offer) (before, after float64) {
	before = c.memory.Outlook.Calibrated(o.Before)
	if c.outlook.At.Equal(now.Wall) {
		before = c.outlook.Cutoff.Within[weekAhead]
	}
	return before, min(before, c.memory.Outlook.Calibrated(o.After))
}

// weekAhead is the index of 168 h in outlook.Withins.
const weekAhead = 4

// adviseDue tells whether the price list on the page is old, or says to leave at a time by
// which, as the newest outlook has it, it may be too late.
func (c *Core) adviseDue(now reading.Stamp) bool {
	if c.plan.AdviseEvery <= 0 {
		return false
	}
	return now.Mono-c.advised >= c.plan.AdviseEvery || c.advised < c.looked && c.overtaken()
}

// overtaken tells whether the early end of the cut-off's window has come to lie before the
// moment until which an offer was said to make sense.
func (c *Core) overtaken() bool {
	early := c.outlook.Spell.Early
	if math.IsNaN(early) {
		return false
	}
	end := c.outlook.At.Add(time.Duration(early * float64(time.Hour)))
	return slices.ContainsFunc(c.offers, func(o advice.Offer) bool { return o.ActBy.After(end) })
}

// wantsAdvice tells whether a notice speaks of what to do about the dark ahead.
func wantsAdvice(notices []alert.Notice) bool {
	for _, n := range notices {
		if n.Phase != alert.Cleared && strings.HasSuffix(n.Rule, "_ahead") {
			return true
		}
	}
	return false
}

// judge steps the rules. Advice is costly, so it is worked out when a notice asks for it:
// the step is then made again from the same state with the advice at hand, and with an
// outlook as fresh as that, so that the notice does not send anybody out after its own window.
func (c *Core) judge(now reading.Stamp) []alert.Notice {
	step := func() (alert.State, []alert.Notice) {
		s := c.facts(now)
		return c.rules(s).Step(c.engine, now.Wall, c.index.Lookup(s))
	}
	next, notices := step()
	if wantsAdvice(notices) && c.advised != now.Mono {
		if due := c.looked; due != now.Mono {
			c.UpdateOutlook(now)
			c.looked = due // this one is beside the round, which estimates are written by
		}
		c.advise(now)
		next, notices = step()
	}
	c.engine = next
	return notices
}

// adviceFacts are the offers in numbers.
func (c *Core) adviceFacts(now time.Time, x map[string]float64) {
	var worth []advice.Offer
	for _, o := range c.offers {
		if o.After < o.Before-0.02 {
			worth = append(worth, o)
		}
	}
	for _, kind := range []advice.Kind{advice.Shed, advice.TopUp, advice.Uncover} {
		if o, ok := best(worth, kind); ok {
			put(x, o)
		}
	}
	if len(worth) > 0 {
		x["advice_chance_before"] = worth[0].Before
	}
	trips := slices.DeleteFunc(worth, func(o advice.Offer) bool { return !o.Trip || o.ActBy.IsZero() })
	if len(trips) > 0 {
		x["act_by_hours"] = max(0, trips[0].ActBy.Sub(now).Hours()) // the same for all: when to leave
	}
}

// best is the least sacrifice of a kind that meets the budget, or what helps the most.
func best(offers []advice.Offer, kind advice.Kind) (advice.Offer, bool) {
	var of []advice.Offer
	for _, o := range offers {
		if o.Kind == kind {
			of = append(of, o)
		}
	}
	return advice.Best(of)
}

func put(x map[string]float64, o advice.Offer) {
	switch o.Kind {
	case advice.Shed:
		x["advice_shed_from_hour"], x["advice_shed_to_hour"] = float64(o.From), float64(o.To)
		x["advice_shed_chance_after"] = o.After
	case advice.TopUp:
		x["advice_topup_wh"], x["advice_topup_chance_after"] = o.Wh, o.After
	case advice.Uncover:
		x["advice_clean_hours"] = o.HoursGained
	}
}
