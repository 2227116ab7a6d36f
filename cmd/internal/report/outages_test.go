package report_test

import (
	"math"
	"time"

	"ebbwatch/cmd/internal/report"
	"ebbwatch/collector/reading"
)

// outage is one invented outage of the slipway's relay, told the way it would look in the
// record. Zero means the usual: a healthy node on fair days in March.
type outage struct {
	name string
	want string // the cause, as a person who knows the story would name it

	sun        [5]float64 // share of a clear sky on the days before, the last is the day itself
	soc        float64    // charge when it began; 0: 0.7
	socDays    float64    // charge five days before; 0: 0.8
	volts      float64    // least in the last hour; 0: 13.1
	hour       float64    // local time at which it began; 0: 14
	long       float64    // hours; 0: 4
	dead       bool       // the board itself was off, so there is no record of it
	never      bool       // and it has not come back
	loadOff    bool       // the load output was off while the board went on
	noSwitch   bool       // nobody reads whether the load output is on
	celsius    float64    // of the battery; 0: 9
	controller float64    // °C; 0: 15
	cold       bool       // frost on all days, no charge taken although the sun shone
	creep      float64    // W more since the third day
	peers      string     // which peers were silent meanwhile: a for all, f for the far one
	before     string     // which peers were silent for a while before
	flutter    int        // short holes in the record on the day before
	lost       bool       // some readings vanished hours before the others
	collapse   bool       // the battery's voltage fell to nothing from one reading to the next
	jump       float64    // hours by which the clock was set at the end
	after      float64    // charge when it came back; 0: a little more than before
}

// outages is the library. It was written from what owners tell of such nodes, and before
// the code that judges it.
func outages() []outage {
	grey := [5]float64{0.12, 0.1, 0.15, 0.08, 0.1}
	mixed := [5]float64{0.5, 0.2, 0.15, 0.3, 0.1}
	fair := [5]float64{0.8, 0.9, 0.7, 0.8, 0.9}
	return []outage{
		// The battery ran down in grey weather.
		{name: "a grey week, dark before dawn", want: "power", sun: grey, socDays: 0.6, soc: 0.03, volts: 11.4, hour: 5, long: 6, dead: true},
		{name: "a grey week, the load alone went", want: "power", sun: grey, socDays: 0.6, soc: 0.04, volts: 11.6, hour: 4, long: 7, loadOff: true},
		{name: "a mixed week, dark at night", want: "power", sun: mixed, socDays: 0.5, soc: 0.02, volts: 11.3, hour: 2, long: 9, dead: true},
		{name: "grey, and not back yet", want: "power", sun: grey, socDays: 0.5, soc: 0.02, volts: 11.4, hour: 6, long: 40, dead: true, never: true},
		{name: "grey, no switch is read", want: "power", sun: grey, socDays: 0.55, soc: 0.03, volts: 11.5, hour: 3, long: 8, loadOff: true, noSwitch: true},
		{name: "three dark nights in a row", want: "power", sun: grey, socDays: 0.3, soc: 0.05, volts: 11.6, hour: 22, long: 12, loadOff: true},
		// The same end, but something had been added.
		{name: "a camera too many", want: "creep", sun: [5]float64{0.5, 0.5, 0.4, 0.5, 0.4}, socDays: 0.8, soc: 0.04, volts: 11.5, hour: 4, long: 7, dead: true, creep: 8},
		{name: "a camera, and the load alone went", want: "creep", sun: [5]float64{0.6, 0.5, 0.5, 0.4, 0.5}, socDays: 0.8, soc: 0.05, volts: 11.6, hour: 5, long: 6, loadOff: true, creep: 10},
		{name: "a heater left on", want: "creep", sun: fair, socDays: 0.9, soc: 0.03, volts: 11.4, hour: 1, long: 9, dead: true, creep: 25},
		// Frost kept the battery from charging under a bright sky.
		{name: "bright frost, no charge", want: "cold", sun: fair, socDays: 0.7, soc: 0.04, volts: 11.5, hour: 6, long: 6, dead: true, celsius: -6, cold: true},
		{name: "bright frost, the load alone went", want: "cold", sun: fair, socDays: 0.6, soc: 0.05, volts: 11.6, hour: 5, long: 7, loadOff: true, celsius: -4, cold: true},
		{name: "a long frost", want: "cold", sun: [5]float64{0.6, 0.7, 0.6, 0.8, 0.7}, socDays: 0.65, soc: 0.03, volts: 11.3, hour: 3, long: 10, dead: true, celsius: -9, cold: true},
		// The way home failed; the node did not.
		{name: "all peers gone", want: "path", peers: "a"},
		{name: "the far peer gone", want: "path", peers: "f", hour: 11, long: 2},
		{name: "all peers gone at night", want: "path", peers: "a", hour: 2, long: 9, soc: 0.55},
		{name: "a radar check", want: "path", peers: "a", hour: 15, long: 0.25},
		{name: "a radio that had been flapping", want: "path", peers: "a", before: "a", hour: 19, long: 30},
		{name: "peers gone in a grey week, charge still fair", want: "path", sun: grey, soc: 0.45, peers: "a", hour: 10},
		// The battery's own protection opened.
		{name: "the voltage fell to nothing", want: "protection", dead: true, collapse: true, soc: 0.5, hour: 13, long: 30, never: true},
		{name: "opened at night, woken by the sun", want: "protection", dead: true, collapse: true, soc: 0.35, hour: 3, long: 7},
		{name: "empty, then sun, and not back", want: "protection", sun: [5]float64{0.1, 0.1, 0.1, 0.9, 0.9}, socDays: 0.4, soc: 0.03, volts: 10.4, hour: 5, long: 60, dead: true, never: true},
		{name: "opened while charging", want: "protection", dead: true, collapse: true, soc: 0.97, volts: 14.1, hour: 12, long: 20, never: true},
		// Heat.
		{name: "a box in the August sun", want: "heat", sun: fair, controller: 78, celsius: 44, hour: 15, long: 3, loadOff: true},
		{name: "the board cooked", want: "heat", sun: fair, controller: 84, celsius: 47, hour: 14.5, long: 4, dead: true},
		{name: "the battery too hot", want: "heat", sun: fair, controller: 60, celsius: 58, hour: 16, long: 4, dead: true},
		// Water.
		{name: "readings went one by one", want: "water", lost: true, flutter: 6, dead: true, hour: 20, long: 15},
		{name: "holes in the record on a wet day", want: "water", sun: mixed, flutter: 9, lost: true, dead: true, hour: 9, long: 26, never: true},
		{name: "wet, came back when it dried", want: "water", sun: [5]float64{0.8, 0.7, 0.1, 0.1, 0.1}, flutter: 7, lost: true, dead: true, hour: 4, long: 9},
		// The clock.
		{name: "the clock was wrong, nothing else", want: "clock", dead: true, long: 72, jump: 72, hour: 12, after: 0.7},
		{name: "the clock had stood still", want: "clock", dead: true, long: 400, jump: 400, hour: 9, after: 0.69},
		// The controller cut the load off although the battery was far from empty.
		{name: "cut off by the controller's timer", want: "cut-off", loadOff: true, soc: 0.8, hour: 23, long: 7},
		{name: "cut off in the middle of the day", want: "cut-off", loadOff: true, soc: 0.6, hour: 13, long: 2},
		{name: "cut off by a start-up surge", want: "cut-off", loadOff: true, soc: 0.35, volts: 11.5, hour: 8, long: 1},
		// What the record cannot tell.
		{name: "the board was off at fair charge", want: "cannot tell", dead: true, long: 1},
		{name: "the board was off for a day", want: "cannot tell", dead: true, long: 26, hour: 10},
		{name: "off at half charge, not back", want: "cannot tell", dead: true, long: 12, soc: 0.5, hour: 17, never: true},
		{name: "somebody says it was down, the record says not", want: "cannot tell"},
	}
}

func or(x, usual float64) float64 {
	if x == 0 {
		return usual
	}
	return x
}

// live makes the record of an outage: five days before, the outage, and half a day after.
func (o outage) live() report.WhyInput {
	dawn := time.Date(2026, 3, 10, 0, 0, 0, 0, time.UTC)
	from := dawn.Add(4*24*time.Hour + time.Duration(or(o.hour, 14)*float64(time.Hour))).Round(5 * time.Minute)
	to := from.Add(time.Duration(or(o.long, 4) * float64(time.Hour))).Round(5 * time.Minute)
	end := to.Add(12 * time.Hour)
	if o.never {
		end = to
	}
	sun := o.sun
	if sun == [5]float64{} {
		sun = [5]float64{0.6, 0.7, 0.5, 0.8, 0.6}
	}
	var steps []report.Step
	for t := dawn; t.Before(end); t = t.Add(5 * time.Minute) {
		if s, there := o.step(t, dawn, from, to, sun); there {
			steps = append(steps, s)
		}
	}
	in := input(steps)
	in.From, in.To = dawn, end
	return report.WhyInput{Input: in, Outage: report.Spell{From: from, To: to}, Back: !o.never, ClockSet: time.Duration(o.jump * float64(time.Hour))}
}

func (o outage) step(t, dawn, from, to time.Time, sun [5]float64) (report.Step, bool) {
	during, after := !t.Before(from) && t.Before(to), !t.Before(to)
	n := int(t.Sub(dawn) / (5 * time.Minute))
	if during && o.dead {
		return report.Step{}, false
	}
	left := from.Sub(t)
	if o.flutter > 0 && left > 0 && left < 24*time.Hour && n%(288/o.flutter) < 5 {
		return report.Step{}, false
	}
	day := min(int(t.Sub(dawn).Hours()/24), 4)
	done := min(1, t.Sub(dawn).Seconds()/from.Sub(dawn).Seconds())
	soc := or(o.socDays, 0.8) + (or(o.soc, 0.7)-or(o.socDays, 0.8))*done
	if after {
		soc = or(o.after, or(o.soc, 0.7)+0.05)
	}
	s := report.Step{At: t, Span: 5 * time.Minute, SoC: soc, SoCLow: soc - 0.03, Volts: 13.1, VoltsLow: 13.1, LoadOn: 1, LoadWatts: 12,
		BatteryCelsius: or(o.celsius, 9), AirCelsius: 7, ControllerCelsius: or(o.controller, 15), UnmeteredWatts: 1, Stage: float64(reading.Bulk), Peers: map[string]report.PeerStep{}}
	clear, _, _ := clearJoules(t, 7)
	s.PV = 0.9 * clear * sun[day]
	s.PVVolts = 20 * min(1, clear/1000)
	if o.cold {
		s.PV, s.AirCelsius = 0, or(o.celsius, 9)
	}
	s.ChargeWatts = 0.97 * s.PV / 300
	if o.creep > 0 && day >= 2 {
		s.LoadWatts += o.creep
	}
	if left > 0 && left <= time.Hour || during {
		s.VoltsLow = or(o.volts, 13.1)
		s.Volts = s.VoltsLow + 0.05
	}
	if o.collapse && left > 0 && left <= 5*time.Minute {
		s.VoltsLow, s.Volts = 0.3, 6
	}
	if during && o.loadOff {
		s.LoadOn, s.LoadWatts = 0, 0
	}
	if o.noSwitch {
		s.LoadOn = math.NaN()
	}
	if o.lost && left > 0 && left < 5*time.Hour {
		s.BatteryCelsius, s.AirCelsius, s.PVVolts, s.PV = math.NaN(), math.NaN(), math.NaN(), math.NaN()
	}
	s.Load = 300 * s.LoadWatts
	for _, name := range []string{"gate", "boathouse"} {
		silent := during && (o.peers == "a" || o.peers == "f" && name == "boathouse") ||
			o.before == "a" && left > 0 && left < 20*time.Hour && n%24 < 6
		p := report.PeerStep{Up: 1, Loss: 0.01, RTTSeconds: 0.004}
		if silent {
			p = report.PeerStep{Up: 0, Loss: 1, RTTSeconds: math.NaN()}
		}
		s.Peers[name] = p
	}
	return s, true
}
