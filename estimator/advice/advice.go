package advice

import (
	"fmt"
	"time"

	"ebbwatch/estimator/battery"
	"ebbwatch/estimator/outlook"
	"ebbwatch/estimator/sun"

	"ebbwatch/collector/reading"
)

// Budget is the chance of a cut-off within a week that is accepted without a word: where it is
// met, nobody is asked to do anything.
const Budget = 0.1

// topUpWh is what a carried battery or charger puts in, Wh: 20 Ah at 12 V, which one person
// carries (some 3 kg of LiFePO4; common practice).
const topUpWh = 240

// Kind sorts the actions.
type Kind string

// The kinds of action, from the least sacrifice.
const (
	Shed    Kind = "shed"
	Uncover Kind = "uncover"
	Clean   Kind = "clean"
	TopUp   Kind = "top-up"
	Battery Kind = "battery"
	Panel   Kind = "panel"
)

// Offer is one line of the price list.
type Offer struct {
	Kind        Kind
	Text        string    // what to do, for people
	Before      float64   // chance of a cut-off within a week
	After       float64   // the same with the action
	HoursGained float64   // expected hours of service before the first cut-off, within the week
	DarkAvoided float64   // expected dark hours avoided within the horizon
	Sacrifice   float64   // for the order alone
	Trip        bool      // somebody has to go
	ActBy       time.Time // last sensible moment to leave or to switch; zero where there is none
	From, To    int       // [Shed]: hours of the local day; both 0 is not shed, 0 to 24 is all day
	Wh          float64   // [TopUp]: what is brought
}

// Line is the offer in words: "radio off 23–06 until Thu: 72 % → 9 %".
func (o Offer) Line() string {
	return fmt.Sprintf("%s: %.0f %% → %.0f %%", o.Text, 100*o.Before, 100*o.After)
}

// Question is everything that a price list hangs on.
type Question struct {
	Model     outlook.Model
	State     *outlook.State
	Belief    battery.Belief
	Now       time.Time
	Forecast  *reading.Forecast
	Seed      uint64
	TripHours float64 // from the decision to leave until a hand is on the node
}

// withinWeek is the index of 168 h in [outlook.Withins].
const withinWeek = 4

// desk prices actions against one set of futures.
type desk struct {
	q      Question
	f      *outlook.Futures
	before outlook.Outcome
	visit  time.Time // when somebody could be there; zero when not before the end
	leave  time.Time // the last sensible moment to leave for it
}

// Prices is the price list, in the order of the least sacrifice.
func Prices(q Question) []Offer {
	d := &desk{q: q, f: q.Model.Draw(q.State, q.Belief, q.Now, q.Forecast, q.Seed)}
	d.before = d.f.Run(outlook.Action{}, false)
	d.visit, d.leave = d.visits()
	out := d.shedding()
	if !d.visit.IsZero() {
		out = append(out, d.trips()...)
	}
	return out
}

// Best is the first offer that brings the chance within the [Budget]; where none does, the one
// that leaves the least chance. It is false when there is nothing to gain.
func Best(offers []Offer) (Offer, bool) {
	var best Offer
	for _, o := range offers {
		if o.After <= Budget && o.After < o.Before {
			return o, true
		}
		if o.After < o.Before-0.02 && (best.Kind == "" || o.After < best.After) {
			best = o
		}
	}
	return best, best.Kind != ""
}

func (d *desk) offer(k Kind, text string, out outlook.Outcome, sacrifice float64, trip bool) Offer {
	o := Offer{
		Kind: k, Text: text, Before: d.before.Cutoff.Within[withinWeek], After: out.Cutoff.Within[withinWeek],
		HoursGained: out.WeekHours - d.before.WeekHours, DarkAvoided: d.before.DarkHours - out.DarkHours,
		Sacrifice: sacrifice, Trip: trip,
	}
	if trip {
		o.ActBy = d.leave
	}
	return o
}

// trips prices what needs a person at the site, done at the visit.
func (d *desk) trips() []Offer {
	at := d.visit.Sub(d.q.Now).Hours()
	base := 10 + 2*d.q.TripHours
	var out []Offer
	run := func(k Kind, text string, a outlook.Action, sacrifice float64) {
		o := d.offer(k, text, d.f.Run(a, false), sacrifice, true)
		o.Wh = a.AddWh
		out = append(out, o)
	}
	if d.q.State.Covered > 0 {
		run(Uncover, "clear the panel", outlook.Action{Uncover: true, PanelFrom: at}, base)
	}
	// Usual dirt costs 2 to 5 % (common practice); what was learned does not tell how much
	// of the panel's loss would wash off.
	run(Clean, "clean the panel", outlook.Action{Panel: 0.03, PanelFrom: at}, base+1)
	run(TopUp, fmt.Sprintf("bring %.0f Wh", float64(topUpWh)), outlook.Action{AddWh: topUpWh, AddAt: at}, base+2)
	run(Battery, fmt.Sprintf("add a second battery of %.0f Ah, full", d.q.Model.Battery.CapacityAh), outlook.Action{Capacity: 1, CapacityAt: at}, base+40)
	run(Panel, "double the panel", outlook.Action{Panel: 1, PanelFrom: at}, base+60)
	return out
}

// visits finds the last moment at which somebody could still be there in time, in
// daylight, and when they would have to leave. When the battery may be gone before the first
// chance to go, it is that first chance.
func (d *desk) visits() (visit, leave time.Time) {
	way := time.Duration(d.q.TripHours * float64(time.Hour))
	deadline := d.deadline()
	for t := d.q.Now.Add(way).Truncate(15 * time.Minute).Add(15 * time.Minute); t.Sub(d.q.Now) < outlook.Horizon; t = t.Add(15 * time.Minute) {
		if !d.sensible(t, way) {
			continue
		}
		if visit.IsZero() || t.Before(deadline) {
			visit = t
		}
		if t.After(deadline) {
			break
		}
	}
	if visit.IsZero() {
		return visit, leave
	}
	return visit, visit.Add(-way)
}

// deadline is the early end of the futures that go dark, less an hour for the work.
func (d *desk) deadline() time.Time {
	early := d.before.Spell.Early
	if !(early < 168) {
		early = 168
	}
	return d.q.Now.Add(time.Duration((early - 1) * float64(time.Hour)))
}

// sensible tells whether a person may be asked to be on the way and at the site: in daylight
// from leaving until back, with half an hour there.
func (d *desk) sensible(visit time.Time, way time.Duration) bool {
	site := d.q.Model.Site
	dark := func(t time.Time) bool { return sun.Elevation(t, site.Latitude, site.Longitude) < 0 }
	return !dark(visit.Add(-way)) && !dark(visit) && !dark(visit.Add(way+30*time.Minute))
}
