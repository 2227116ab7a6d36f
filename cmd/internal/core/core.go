package core

import (
	"fmt"
	"math"
	"time"

	"ebbwatch/alert"
	"ebbwatch/cmd/internal/facts"
	"ebbwatch/collector"
	"ebbwatch/collector/plausible"
	"ebbwatch/collector/reading"
	"ebbwatch/estimator/advice"
	"ebbwatch/estimator/battery"
	"ebbwatch/estimator/outlook"
	"ebbwatch/estimator/sun"
)

// Plan is what the core is told once.
type Plan struct {
	Site         string
	Zone         *time.Location
	Battery      battery.Battery
	Array        outlook.Site
	Sources      []SourcePlan
	Engine       alert.Engine
	OutlookEvery time.Duration // at most this old is an outlook
	AdviseEvery  time.Duration // at most this old is the price list of actions; 0: only for notices
	TripHours    float64       // from the owner's door to the site and back
	FalseAYear   float64       // false warnings that the owner accepts in a year; 0: the usual threshold
	Seed         uint64
	// Boot names this start of the board; empty: not known. Up is how long the board was up at
	// the instant that [reading.Stamp.Mono] counts from.
	Boot string
	Up   time.Duration
}

// SourcePlan is one source as the core knows it.
type SourcePlan struct {
	Name  string
	Kind  string
	Every time.Duration
	Peers []string // the peers that it reports on
}

// Core turns reports into beliefs, facts and notices. It is used by one goroutine.
type Core struct {
	plan      Plan
	battery   battery.Model
	ahead     outlook.Model
	memory    Memory
	engine    alert.State
	sources   []*source
	forecast  *reading.Forecast
	belief    battery.Belief
	outlook   outlook.Outlook
	looked    time.Duration // when the outlook was made, on the monotonic clock
	seen      bool          // an outlook was made at all
	absent    bool          // the node was away, and how long is not known yet
	leftAt    time.Duration // when it was last seen, on the belief's clock
	leftEmpty bool          // its battery was as good as empty then
	channels  []facts.Channel
	offers    []advice.Offer
	advised   time.Duration // when the offers were made, on the monotonic clock
	last      reading.Stamp
	stepped   time.Duration // when the belief was last stepped, on the monotonic clock
	started   bool
	first     reading.Stamp
	index     facts.Index
	cold      coldest
	shift     time.Duration      // from the clock of this run to that of the belief
	external  map[string]float64 // facts of other parts
	powerSave bool               // sources are polled less often
}

// New starts from nothing remembered.
func New(plan Plan) *Core {
	c := &Core{
		plan:    plan,
		battery: battery.Model{Battery: plan.Battery},
		ahead:   outlook.Model{Site: plan.Array, Battery: plan.Battery},
		index:   facts.NewIndex(),
	}
	c.memory = Memory{Belief: c.battery.Start(), Outlook: c.ahead.Start(), Energy: map[string]float64{}}
	for _, p := range plan.Sources {
		c.sources = append(c.sources, newSource(p))
	}
	return c
}

// Forecast hands the core the newest weather forecast.
func (c *Core) Forecast(f *reading.Forecast) {
	c.forecast = f
	c.memory.Outlook = c.ahead.KeepForecast(c.memory.Outlook, f)
}

// Report takes in what a poll gave. It is an error to report for an unknown source.
func (c *Core) Report(r collector.Report) error {
	for _, s := range c.sources {
		if s.plan.Name == r.Source {
			r.Values, s.doubt = plausible.Step(s.doubt, r.At, r.Values, c.context(s, r.At))
			s.take(r)
			return nil
		}
	}
	return fmt.Errorf("cannot take a report from source %q: there is none of that name", r.Source)
}

// context is what a poll of a source is judged by: the site, the sun and the other sources.
func (c *Core) context(s *source, at reading.Stamp) plausible.Context {
	x := plausible.Context{SunElevation: math.NaN(), Others: reading.Reading{Stamp: at}}
	x.Site = plausible.Site{
		Cells: c.plan.Battery.Cells, CapacityAh: c.plan.Battery.CapacityAh, WattsPeak: c.array().WattsPeak,
	}
	if c.plausible(at) && c.memory.Outlook.Place.Agrees() {
		x.SunElevation = sun.Elevation(at.Wall, c.plan.Array.Latitude, c.plan.Array.Longitude)
	}
	for _, other := range c.sources {
		for q := range reading.NumSite {
			if m := other.measured(q, at, c.every(other)); other != s && m.Usable() && !x.Others.Known(q) {
				x.Others.Set(q, m.X)
			}
		}
	}
	return x
}

// Step moves everything on to the moment now and gives the notices that are due.
func (c *Core) Step(now reading.Stamp) []alert.Notice {
	c.advance(now)
	if c.lookDue(now) {
		c.UpdateOutlook(now)
	}
	if c.adviseDue(now) {
		c.advise(now)
	}
	return c.judge(now)
}

// advance brings belief and learning up to now.
func (c *Core) advance(now reading.Stamp) {
	measured := c.measured(now)
	r := usable(now, &measured)
	if c.started {
		c.count(r, now.Mono-c.last.Mono)
		c.countToday(r, now.Mono-c.last.Mono)
	} else {
		c.first = now
	}
	c.settle(now)
	c.started = true
	if t, known := r.Get(reading.BatteryCelsius); known {
		c.cold.add(now.Mono, t)
	}
	if !c.held(now, &measured) {
		c.stepBelief(now, c.shifted(r))
	}
	c.followOutage(now)
	c.last = now
}

// stepBelief moves the belief, and what is learned with it, on to a reading.
func (c *Core) stepBelief(now reading.Stamp, r reading.Reading) {
	c.stepped = now.Mono
	if tellsOfBattery(&r) {
		c.memory.Heard, c.memory.HeardAt = true, r.Mono
	}
	c.memory.Belief = c.battery.Step(c.memory.Belief, r)
	c.belief = c.battery.Belief(&c.memory.Belief)
	if c.memory.HeardAt == r.Mono {
		c.memory.Sure = Sure{c.belief.Low, c.belief.High}
	}
	if !c.maintained() {
		c.memory.Outlook = c.ahead.Step(c.memory.Outlook, r, c.belief)
	}
}

// held tells whether all that is known of the battery was known at the last step of the belief: a
// source that answers every half hour says what flowed at that moment, not what flows since. The
// belief waits for what comes next, and integrates between the two with the doubt of so long a time.
func (c *Core) held(now reading.Stamp, measured *[reading.NumSite]facts.Measured) bool {
	known := false
	for _, q := range facts.BatteryQuantities() {
		m := measured[q]
		if m.Usable() && now.Mono-m.Age > c.stepped {
			return false
		}
		known = known || m.Usable()
	}
	return known && now.Mono > c.stepped && c.started && c.stepped > 0
}

// lookDue is true more often in the first hour: what is known then grows by the minute.
func (c *Core) lookDue(now reading.Stamp) bool {
	early := 10*time.Second + (now.Mono-c.first.Mono)/4
	if c.outlook.Known() && c.ahead.Standing(&c.memory.Outlook) != outlook.Well {
		return true // what was promised before is taken back at once
	}
	return !c.seen || now.Mono-c.looked >= min(c.plan.OutlookEvery, early)
}

// tellsOfBattery tells whether a reading says anything of the battery: its voltage, or what
// flows in or out.
func tellsOfBattery(r *reading.Reading) bool {
	for _, q := range facts.BatteryQuantities() {
		if r.Known(q) {
			return true
		}
	}
	return false
}

// UpdateOutlook makes a new outlook at once. Before the first reading there is nothing to look
// ahead from: what is believed then is what is usual of batteries, or what the owner said.
func (c *Core) UpdateOutlook(now reading.Stamp) {
	if !c.plausible(now) || !c.memory.Heard {
		c.outlook = outlook.Outlook{}
		return
	}
	c.looked, c.seen = now.Mono, true
	if c.ahead.Standing(&c.memory.Outlook) != outlook.Well {
		c.outlook = outlook.Outlook{} // what is not known of the sun promises nothing
		c.memory.Outage.Ahead = nil
		return
	}
	c.outlook = c.ahead.Project(&c.memory.Outlook, c.belief, now.Wall, c.forecast, c.plan.Seed)
	c.memory.Outlook = c.ahead.Record(c.memory.Outlook, c.outlook)
	if !c.outlook.Dark && !c.absent {
		ahead := c.outlook.Cutoff.Within[within72h]
		c.memory.Outage.Ahead = &ahead
	}
}

// Belief is what is believed of the battery since the last step.
func (c *Core) Belief() battery.Belief { return c.belief }

// Outlook is the newest look ahead.
func (c *Core) Outlook() outlook.Outlook { return c.outlook }

// reading gathers the newest usable value of each quantity.
func (c *Core) reading(now reading.Stamp) reading.Reading {
	measured := c.measured(now)
	return usable(now, &measured)
}

func usable(now reading.Stamp, measured *[reading.NumSite]facts.Measured) reading.Reading {
	r := reading.Reading{Stamp: now}
	for q, m := range measured {
		if m.Usable() {
			r.Set(reading.Quantity(q), m.X)
		}
	}
	return r
}

// measured picks, for each quantity, the first source in the order of the configuration
// that has a fresh value, a clean one before a suspect one.
func (c *Core) measured(now reading.Stamp) [reading.NumSite]facts.Measured {
	var out [reading.NumSite]facts.Measured
	for _, s := range c.sources {
		for q := range out {
			m := s.measured(reading.Quantity(q), now, c.every(s))
			if m.Known && (!out[q].Known || (out[q].Suspect != "" && m.Suspect == "")) {
				out[q] = m
			}
		}
	}
	return out
}

// gap is the longest time between steps of which something is known.
const gap = 15 * time.Minute

// count adds the energy that flowed since the last step.
func (c *Core) count(r reading.Reading, dt time.Duration) {
	if dt <= 0 || dt > gap {
		return
	}
	for flow, watts := range flows(r) {
		c.memory.Energy[flow] += watts * dt.Seconds()
	}
}

// flows is the power of each flow that is known, W: by the same rule as the facts of the page.
func flows(r reading.Reading) map[string]float64 {
	out := map[string]float64{}
	if f := r.PanelPower(); f.Known {
		out["pv"] = f.X
	}
	volts, _ := r.Get(reading.BatteryVolts)
	if f := r.LoadPower(volts); f.Known {
		out["load"] = f.X
	}
	if f := r.BatteryPower(); f.Known {
		out["battery_in"], out["battery_out"] = max(0, f.X), max(0, -f.X)
	}
	return out
}
