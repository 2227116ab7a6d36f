package cause

import (
	"fmt"
	"math"
)

// usual is how often each cause is behind a silence of such a node before anything is known
// of it: judgement.
func usual() [causes]float64 {
	//                     cut   snow  creep nochg cold  lock  power heat  water path  far   stop  clock
	return [causes]float64{0.24, 0.06, 0.06, 0.05, 0.04, 0.04, 0.14, 0.03, 0.05, 0.10, 0.10, 0.06, 0.03}
}

// x marks what cannot be: a board that ran had power.
const x = -1

// state is one thing that a piece of evidence may be, with how often it is so under each
// cause, from 0 (as good as never) to 5 (as good as always), in the order of [Causes].
type state struct {
	often [causes]int
}

// odds are the chances that the marks stand for.
func (s state) odds() (odds [causes]float64) {
	for c, mark := range s.often {
		if mark == x {
			continue
		}
		odds[c] = [6]float64{1e-6, 0.04, 0.15, 0.4, 0.7, 0.95}[mark]
	}
	return odds
}

// item is one piece of evidence: what it may be, which of these it is, in words, and what is
// needed to know it. ask gives a state below 0 where it is not known.
type item struct {
	need   string
	states []state
	ask    func(Record) (state int, says string)
}

// A comparison with what is not known is false, so NaN falls through to unknown.
const unknown = -1

// table is the evidence by cause. Each block is one question; each row an answer to it.
func table() []item {
	var all []item
	for _, part := range [...][]item{boardTable(), batteryTable(), sunTable(), weatherTable(), wayTable(), outsideTable()} {
		all = append(all, part...)
	}
	return all
}

// boardTable asks what the board itself did.
func boardTable() []item {
	return []item{
		{ask: Record.ran, need: "which start of the board the record went on in (recorded from this version on)", states: []state{
			// cut snow creep nochg cold lock power heat water path far stop clock
			{[causes]int{x, x, x, x, x, x, x, x, 1, 5, 5, x, 0}}, // recorded on
			{[causes]int{x, x, x, x, x, x, x, x, x, 0, 0, 5, 5}}, // not recorded, and the board ran on
			{[causes]int{5, 5, 5, 5, 5, 5, 5, 5, 4, 0, 0, 1, 0}}, // the board started anew
			{[causes]int{4, 4, 4, 4, 3, 1, 2, 0, 1, 0, 0, 0, 0}}, // the load was off and the board ran on
		}},
		{ask: Record.step, states: []state{
			{[causes]int{0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 5}},
			{[causes]int{5, 5, 5, 5, 5, 5, 5, 5, 5, 5, 5, 5, 0}},
		}},
		{ask: Record.upBefore, states: []state{
			{[causes]int{1, 1, 1, 1, 1, 1, 3, 2, 2, 1, 1, 4, 2}}, // up for long before the record went on
			{[causes]int{5, 5, 5, 5, 5, 5, 4, 4, 4, 4, 4, 3, 4}},
		}},
	}
}

// batteryTable asks how the battery was.
func batteryTable() []item {
	return []item{
		{ask: Record.voltage, need: "the battery's last voltage and the controller's cut-off", states: []state{
			// cut snow creep nochg cold lock power heat water path far stop clock
			{[causes]int{1, 1, 1, 1, 1, 4, 1, 0, 1, 0, 0, 0, 0}}, // below the cut-off
			{[causes]int{4, 4, 4, 4, 4, 2, 1, 1, 1, 1, 1, 1, 1}}, // at it
			{[causes]int{2, 2, 2, 2, 2, 2, 1, 1, 1, 1, 1, 1, 1}}, // near it
			{[causes]int{1, 1, 1, 1, 1, 1, 5, 5, 5, 5, 5, 5, 5}}, // well above
		}},
		{ask: Record.charge, need: "the battery's charge", states: []state{
			{[causes]int{1, 1, 1, 1, 1, 1, 4, 5, 4, 4, 4, 4, 4}}, // charged
			{[causes]int{4, 4, 4, 4, 4, 4, 1, 1, 1, 1, 1, 1, 1}}, // low
			{[causes]int{3, 3, 3, 3, 3, 3, 3, 3, 3, 3, 3, 3, 3}}, // between
		}},
		{ask: Record.foretold, need: "what the outlook said", states: []state{
			{[causes]int{4, 3, 4, 3, 3, 3, 1, 1, 1, 1, 1, 1, 1}}, // a cut-off within a day
			{[causes]int{3, 3, 3, 3, 3, 3, 1, 1, 1, 1, 1, 1, 1}}, // within four
			{[causes]int{1, 2, 1, 2, 2, 2, 5, 5, 5, 5, 5, 5, 5}}, // none ahead
		}},
		{ask: Record.load, need: "the load of a week or more", states: []state{
			{[causes]int{1, 1, 4, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1}}, // grew
			{[causes]int{5, 5, 2, 5, 5, 5, 5, 5, 5, 5, 5, 5, 5}}, // as usual
		}},
	}
}

// sunTable asks what the panel gave.
func sunTable() []item {
	return []item{
		{ask: Record.harvest, need: "the sky of the days before (a weather forecast in the configuration)", states: []state{
			// cut snow creep nochg cold lock power heat water path far stop clock
			{[causes]int{1, 5, 1, 5, 4, 2, 1, 1, 1, 1, 1, 1, 1}}, // far less than the sky gave
			{[causes]int{4, 1, 3, 1, 1, 4, 2, 1, 3, 2, 2, 2, 2}}, // little, and the sky gave little
			{[causes]int{2, 1, 4, 1, 1, 3, 5, 5, 4, 5, 5, 5, 5}}, // as usual
		}},
		{ask: Record.lowHarvest, need: "the harvest of a week or more", states: []state{
			{[causes]int{4, 5, 2, 5, 5, 4, 2, 1, 3, 2, 2, 2, 2}}, // low; of the sky nothing is known
			{[causes]int{2, 1, 4, 1, 1, 2, 4, 5, 3, 4, 4, 4, 4}}, // as usual
		}},
		{ask: Record.panel, need: "the panel's voltage in light", states: []state{
			{[causes]int{1, 3, 1, 5, 1, 1, 1, 1, 1, 1, 1, 1, 1}}, // none in light
			{[causes]int{1, 4, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1}}, // less than usual
			{[causes]int{5, 2, 5, 1, 2, 5, 5, 5, 5, 5, 5, 5, 5}}, // about as usual
			{[causes]int{2, 1, 2, 2, 5, 2, 3, 3, 3, 3, 3, 3, 3}}, // above: nothing was taken from it
		}},
		{ask: Record.refused, states: []state{
			{[causes]int{1, 1, 1, 1, 5, 1, 1, 0, 1, 1, 1, 1, 1}}, // nothing was charged, in light and frost
			{[causes]int{5, 5, 5, 5, 1, 5, 5, 5, 5, 5, 5, 5, 5}},
		}},
		{ask: Record.halted, states: []state{
			{[causes]int{1, 1, 1, 4, 1, 1, 2, 1, 1, 1, 1, 1, 1}}, // at once, in daylight
			{[causes]int{5, 5, 5, 4, 5, 5, 5, 5, 5, 5, 5, 5, 5}},
		}},
		{ask: Record.hour, states: []state{
			{[causes]int{2, 3, 2, 3, 3, 3, 3, 5, 3, 3, 3, 3, 3}}, // in daylight
			{[causes]int{5, 4, 5, 4, 4, 4, 3, 1, 3, 3, 3, 3, 3}}, // in the dark
		}},
		{ask: Record.back, states: []state{
			{[causes]int{5, 5, 5, 4, 4, 3, 4, 3, 3, 3, 3, 3, 3}}, // in light
			{[causes]int{1, 1, 1, 1, 2, 1, 3, 4, 3, 3, 3, 3, 3}}, // in the dark
		}},
		{ask: Record.days, states: []state{
			{[causes]int{2, 4, 2, 4, 3, 5, 4, 1, 2, 2, 2, 2, 2}}, // days of light went by
			{[causes]int{4, 2, 4, 2, 3, 2, 3, 5, 4, 4, 4, 4, 4}},
		}},
	}
}

// weatherTable asks how warm it was.
func weatherTable() []item {
	return []item{
		{ask: Record.frost, need: "the battery's temperature (a sensor)", states: []state{
			// cut snow creep nochg cold lock power heat water path far stop clock
			{[causes]int{2, 4, 2, 2, 5, 2, 2, 0, 1, 2, 2, 2, 2}}, // frost
			{[causes]int{3, 3, 3, 3, 1, 3, 3, 0, 3, 3, 3, 3, 3}}, // just above
			{[causes]int{4, 0, 4, 4, 0, 4, 4, 5, 4, 4, 4, 4, 4}}, // mild
		}},
		{ask: Record.hot, need: "the temperature in the box (a sensor)", states: []state{
			{[causes]int{1, 1, 1, 1, 1, 1, 1, 5, 1, 1, 1, 1, 1}}, // 60 °C and more
			{[causes]int{1, 1, 1, 1, 1, 1, 1, 4, 1, 1, 1, 1, 1}}, // 50 to 60
			{[causes]int{5, 5, 5, 5, 5, 5, 5, 1, 5, 5, 5, 5, 5}}, // below
		}},
	}
}

// wayTable asks how the path was.
func wayTable() []item {
	return []item{
		{ask: Record.lost, need: "the share of lost probes before", states: []state{
			// cut snow creep nochg cold lock power heat water path far stop clock
			{[causes]int{1, 1, 1, 1, 1, 1, 1, 1, 4, 3, 2, 1, 1}}, // more and more got lost
			{[causes]int{5, 5, 5, 5, 5, 5, 5, 5, 2, 4, 4, 5, 5}},
		}},
		{ask: Record.flapping, states: []state{
			{[causes]int{1, 1, 1, 1, 1, 1, 2, 2, 4, 2, 2, 1, 1}}, // it came and went
			{[causes]int{5, 5, 5, 5, 5, 5, 5, 4, 2, 4, 4, 5, 5}},
		}},
		{ask: Record.some, states: []state{
			{[causes]int{0, 0, 0, 0, 0, 0, 0, 0, 1, 0, 5, 0, 0}}, // some peers answered
			{[causes]int{5, 5, 5, 5, 5, 5, 5, 5, 5, 5, 1, 5, 5}}, // none did
		}},
	}
}

// outsideTable asks what the node itself cannot know.
func outsideTable() []item {
	return []item{
		{ask: Record.rained, need: "whether it rained (--rain yes or no)", states: []state{
			// cut snow creep nochg cold lock power heat water path far stop clock
			{[causes]int{3, 1, 2, 2, 1, 3, 2, 0, 5, 2, 2, 2, 2}},
			{[causes]int{4, 5, 4, 4, 5, 4, 4, 5, 1, 4, 4, 4, 4}},
		}},
		{ask: Record.heard, need: "whether neighbours heard it in the meantime (--heard yes or no)", states: []state{
			{[causes]int{1, 1, 1, 1, 1, 1, 1, 1, 1, 2, 4, 5, 5}},
			{[causes]int{5, 5, 5, 5, 5, 5, 5, 5, 4, 4, 2, 1, 1}},
		}},
		{ask: Record.others, need: "whether other nodes fell silent with it (--others yes or no)", states: []state{
			{[causes]int{1, 2, 1, 1, 1, 1, 1, 1, 1, 1, 4, 1, 1}},
			{[causes]int{4, 4, 5, 5, 5, 5, 5, 5, 5, 5, 3, 5, 5}},
		}},
		{ask: Record.bright, need: "whether the sun shone in the meantime (--sun yes or no)", states: []state{
			{[causes]int{1, 4, 2, 5, 4, 4, 4, 5, 2, 3, 3, 3, 3}},
			{[causes]int{5, 3, 4, 2, 3, 3, 3, 1, 4, 3, 3, 3, 3}},
		}},
	}
}

// yes is the answer to a plain question.
func yes(t Truth, saysYes, saysNo string) (int, string) {
	switch t {
	case Yes:
		return 0, saysYes
	case No:
		return 1, saysNo
	}
	return unknown, ""
}

func (r Record) ran() (int, string) {
	switch {
	case r.LoadOff == Yes && r.RanThrough == Yes:
		return 3, "the board ran on, and its load was off"
	case r.RanThrough == Yes:
		return 0, "the board ran and recorded all the time"
	case r.SameBoot == Yes:
		return 1, "the board ran on, and nothing was recorded"
	case r.SameBoot == No:
		return 2, "the board started anew"
	}
	return unknown, ""
}

func (r Record) step() (int, string) {
	switch {
	case r.ClockStep >= 0.8*r.Hours() && r.Hours() > 0:
		return 0, fmt.Sprintf("the clock was set forward by %s: nothing is missing by the board's own clock", span(r.ClockStep))
	case !math.IsNaN(r.ClockStep):
		return 1, "the clock was not set"
	}
	return unknown, ""
}

// upBefore tells a board that was up for long before anything was recorded of it.
func (r Record) upBefore() (int, string) {
	switch {
	case r.SameBoot != No || math.IsNaN(r.Uptime):
		return unknown, ""
	case r.Uptime > 0.5:
		return 0, fmt.Sprintf("the board had been up for %s before anything was recorded again", span(r.Uptime))
	}
	return 1, ""
}

// voltage holds the last voltage against the cut-off, with margins for a battery of four
// cells: 0.15 V is what a cut-off wavers, 0.6 V less than an hour of load on the knee.
func (r Record) voltage() (int, string) {
	cells := float64(r.Cells)
	if cells == 0 {
		cells = 4
	}
	says := fmt.Sprintf("the last voltage was %.2f V; the controller cuts off at %.2f V", r.Volts, r.CutoffVolts)
	switch above := (r.Volts - r.CutoffVolts) * 4 / cells; {
	case above < -0.5:
		return 0, says
	case above <= 0.2:
		return 1, says
	case above <= 0.6:
		return 2, says
	case above > 0.6:
		return 3, says
	}
	return unknown, ""
}

func (r Record) charge() (int, string) {
	switch {
	case r.SoCLow >= 0.35:
		return 0, fmt.Sprintf("the battery was at %s", percent(r.SoC))
	case r.SoCHigh <= 0.25 || r.SoC <= 0.12:
		return 1, fmt.Sprintf("the battery was low: %s", percent(r.SoC))
	case !math.IsNaN(r.SoC):
		return 2, ""
	}
	return unknown, ""
}

func (r Record) foretold() (int, string) {
	switch {
	case r.Chance24 >= 0.3:
		return 0, fmt.Sprintf("the outlook had said so: within a day with a chance of %s", percent(r.Chance24))
	case r.Chance72 >= 0.2:
		return 1, fmt.Sprintf("the outlook had given a cut-off within three days a chance of %s", percent(r.Chance72))
	case !math.IsNaN(r.Chance24):
		return 2, "the outlook had seen no cut-off coming"
	}
	return unknown, ""
}

func (r Record) load() (int, string) {
	switch {
	case r.LoadRatio >= 1.1:
		return 0, fmt.Sprintf("the nights took %s of what they took in the month before", percent(r.LoadRatio))
	case !math.IsNaN(r.LoadRatio):
		return 1, "the load was as usual"
	}
	return unknown, ""
}

func (r Record) harvest() (int, string) {
	switch {
	case r.SkyRatio < 0.35:
		return 0, fmt.Sprintf("the panel gave %s of what it should have under the forecast sky", percent(r.SkyRatio))
	case r.SkyRatio >= 0.35 && r.HarvestRatio < 0.6:
		return 1, fmt.Sprintf("the panel gave %s of the usual, and the forecast sky no more", percent(r.HarvestRatio))
	case r.SkyRatio >= 0.35 && r.HarvestRatio >= 0.6:
		return 2, fmt.Sprintf("the panel gave %s of the usual", percent(r.HarvestRatio))
	}
	return unknown, ""
}

// lowHarvest is asked where the sky is not known, so that one harvest does not count twice.
func (r Record) lowHarvest() (int, string) {
	switch {
	case !math.IsNaN(r.SkyRatio):
		return unknown, ""
	case r.HarvestRatio < 0.6:
		return 0, fmt.Sprintf("the panel gave %s of the usual; whether the sky gave more is not known", percent(r.HarvestRatio))
	case r.HarvestRatio >= 0.6:
		return 1, fmt.Sprintf("the panel gave %s of the usual", percent(r.HarvestRatio))
	}
	return unknown, ""
}

// panel asks for voltage in light: a panel under the darkest sky still has most of its own,
// one under snow has less, one with a broken wire none, and one that nothing is taken from
// stands a fifth above where it usually works.
func (r Record) panel() (int, string) {
	says := fmt.Sprintf("in daylight the panel had %s of its usual voltage", percent(r.PanelRatio))
	switch {
	case r.PanelRatio < 0.3:
		return 0, says
	case r.PanelRatio < 0.85:
		return 1, says
	case r.PanelRatio < 1.12:
		return 2, says
	case r.PanelRatio >= 1.12:
		return 3, says
	}
	return unknown, ""
}

func (r Record) refused() (int, string) {
	return yes(r.Refused, "in light and frost nothing went into the battery", "")
}

func (r Record) halted() (int, string) {
	return yes(r.Halted, "the harvest stopped at once in daylight", "")
}

func (r Record) hour() (int, string) {
	at := r.Start.Format("15:04")
	return yes(r.SunUp, "it fell silent in daylight, at "+at, "it fell silent in the dark, at "+at)
}

func (r Record) back() (int, string) {
	if !r.Over() {
		return unknown, ""
	}
	at := r.End.Format("15:04")
	return yes(r.SunUpAfter, "it was back in daylight, at "+at, "it was back in the dark, at "+at)
}

func (r Record) days() (int, string) {
	switch {
	case r.LightDays >= 3:
		return 0, fmt.Sprintf("%.0f days of light went by", r.LightDays)
	case !math.IsNaN(r.LightDays):
		return 1, ""
	}
	return unknown, ""
}

// frost: LiFePO4 takes no charge, or should not, below 0 °C; and snow does not lie much
// above it.
func (r Record) frost() (int, string) {
	says := fmt.Sprintf("the lowest temperature was %.0f °C", r.ColdC)
	switch {
	case r.ColdC <= 0.5:
		return 0, says
	case r.ColdC <= 4:
		return 1, says
	case r.ColdC > 4:
		return 2, says
	}
	return unknown, ""
}

// hot: boards stop, and batteries protect themselves, from about 60 °C.
func (r Record) hot() (int, string) {
	says := fmt.Sprintf("the warmest of box and battery was %.0f °C", r.BoxC)
	switch {
	case r.BoxC >= 60:
		return 0, says
	case r.BoxC >= 50:
		return 1, says
	case r.BoxC < 50:
		return 2, says
	}
	return unknown, ""
}

func (r Record) lost() (int, string) {
	switch {
	case r.Loss >= 0.1 && !(r.Loss < 2*r.LossUsual):
		return 0, fmt.Sprintf("%s of the probes got lost in the hour before; usually it is %s", percent(r.Loss), percent(r.LossUsual))
	case !math.IsNaN(r.Loss):
		return 1, "the way was no worse than usual before"
	}
	return unknown, ""
}

func (r Record) flapping() (int, string) {
	switch {
	case r.Flaps >= 3:
		return 0, fmt.Sprintf("it came and went %.0f times within two days", r.Flaps)
	case !math.IsNaN(r.Flaps):
		return 1, ""
	}
	return unknown, ""
}

func (r Record) some() (int, string) {
	return yes(r.Answered, "some peers answered all the time, others did not", "no peer answered")
}

func (r Record) rained() (int, string) { return yes(r.Rain, "it rained", "it did not rain") }

func (r Record) heard() (int, string) {
	return yes(r.Heard, "neighbours heard it in the meantime", "neighbours did not hear it either")
}

func (r Record) others() (int, string) {
	return yes(r.Others, "other nodes fell silent with it", "other nodes did not fall silent")
}

func (r Record) bright() (int, string) {
	return yes(r.Bright, "the sun shone in the meantime", "there was little sun in the meantime")
}

func percent(x float64) string {
	if math.IsNaN(x) {
		return "an unknown share"
	}
	return fmt.Sprintf("%.0f %%", 100*x)
}
