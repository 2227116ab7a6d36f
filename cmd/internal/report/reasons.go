package report

import (
	"fmt"
	"math"
	"time"
)

// weigh adds a sentence for or against a reason.
func (f *Finding) weigh(weight float64, format string, args ...any) {
	if weight > 0 {
		f.For = append(f.For, fmt.Sprintf(format, args...))
	} else {
		f.Against = append(f.Against, fmt.Sprintf(format, args...))
	}
	f.weight += weight
}

// low tells whether the battery was near its end, by belief or by voltage (2.95 V a cell
// under load is the knee of LiFePO4, common practice).
func (s signs) low() bool { return s.soc < 0.12 || s.voltsPerCell < 2.95 && s.soc < 0.3 }

// stopped tells whether anything at the node was off.
func (s signs) stopped() bool { return s.dead || s.loadOff > 0.5 }

func power(in WhyInput, s signs) Finding {
	f := Finding{Reason: Power}
	if s.low() && s.stopped() {
		f.weigh(3, "the battery was at %s and %s when it began", percent(s.soc), number("%.1f V", s.volts))
	}
	if s.bright < 0.35 && s.low() {
		f.weigh(1, "the days before gave %s of a clear sky", percent(s.bright))
	}
	if !s.stopped() {
		f.weigh(-3, "the node and its load went on")
	}
	if s.soc > 0.25 {
		f.weigh(-3, "the battery was at %s", percent(s.soc))
	}
	switch {
	case s.bright > 0.55:
		f.weigh(-1, "the days before were bright (%s of a clear sky)", percent(s.bright))
	case math.IsNaN(s.bright):
		f.weigh(-1, "nothing tells how much sun there was")
	}
	if s.bright < 0.05 && s.possible > 0.3 {
		f.weigh(-2, "the panel stood in the sun: it was not the sky")
	}
	if !in.Back && s.brightAfter {
		f.weigh(-2, "the sun should have woken it since")
	}
	return f
}

func path(_ WhyInput, s signs) Finding {
	f := Finding{Reason: Path}
	if s.silentPeers > 0 {
		f.weigh(3, "%d of %d peers did not answer while the node went on", s.silentPeers, s.knownPeers)
	}
	if s.silentPeers > 0 && s.silentBefore > 3 {
		f.weigh(1, "they had been silent now and then before")
	}
	if s.dead {
		f.weigh(-3, "the node itself recorded nothing")
	}
	if s.loadOff > 0.5 {
		f.weigh(-2, "the load, and the radio with it, was off")
	}
	return f
}

func heat(_ WhyInput, s signs) Finding {
	f := Finding{Reason: Heat}
	// Controllers shed at about 60 to 85 °C, batteries at 55 to 65 °C: common practice.
	if s.controller > 70 && s.stopped() {
		f.weigh(4, "the controller was at %s", number("%.0f °C", s.controller))
	}
	if s.celsius > 54 && s.stopped() {
		f.weigh(4, "the battery was at %s", number("%.0f °C", s.celsius))
	}
	if len(f.For) > 0 && s.low() {
		f.weigh(-2, "the battery was nearly empty, which is reason enough")
	}
	return f
}

func cold(_ WhyInput, s signs) Finding {
	f := Finding{Reason: TooCold}
	if !(s.celsius < 1) {
		if s.celsius > 3 {
			f.weigh(-3, "the battery was at %s", number("%.0f °C", s.celsius))
		}
		return f
	}
	f.weigh(1, "the battery was at %s", number("%.0f °C", s.celsius))
	if s.possible > 0.3 && s.bright < 0.05 {
		f.weigh(3, "the panel stood in the sun and nothing was taken from it")
	}
	if s.low() {
		f.weigh(1, "the battery was nearly empty")
	}
	return f
}

func water(_ WhyInput, s signs) Finding {
	f := Finding{Reason: Water}
	if s.holes >= 3 {
		f.weigh(2, "the record has %d holes on the day before", s.holes)
	}
	if s.lost {
		f.weigh(2, "some readings went hours before the others")
	}
	if len(f.For) > 0 && s.low() {
		f.weigh(-2, "the battery was nearly empty, which is reason enough")
	}
	return f
}

func cutOff(_ WhyInput, s signs) Finding {
	f := Finding{Reason: CutOff}
	if s.loadOff > 0.5 && !s.dead {
		f.weigh(3, "the load output was off while the node went on")
	}
	if math.IsNaN(s.soc) {
		f.weigh(-1, "nothing tells how full the battery was")
	}
	if math.IsNaN(s.controller) && math.IsNaN(s.celsius) {
		f.weigh(-1, "nothing tells how hot it was")
	}
	if s.low() {
		f.weigh(-2, "the battery was nearly empty: the cut-off did its duty")
	} else if s.soc > 0 && len(f.For) > 0 && s.voltsPerCell < 2.95 {
		f.weigh(1, "the voltage fell to %s under load although the battery was at %s", number("%.1f V", s.volts), percent(s.soc))
	}
	return f
}

func protection(in WhyInput, s signs) Finding {
	f := Finding{Reason: Protection}
	if s.collapse {
		f.weigh(4, "the voltage fell to nothing from one reading to the next")
	}
	if s.voltsPerCell < 2.7 && !s.collapse {
		f.weigh(2, "the voltage was %s: below where a battery's own protection opens", number("%.1f V", s.volts))
	}
	if s.dead && !in.Back && s.low() && s.brightAfter {
		f.weigh(3, "it is not back although the sun should have woken it")
	}
	if !s.dead {
		f.weigh(-4, "the node went on, so its battery was connected")
	}
	return f
}

func creeping(_ WhyInput, s signs) Finding {
	f := Finding{Reason: LoadCreep}
	if s.creep == nil || !s.low() || !s.stopped() {
		return f
	}
	f.weigh(3, "the battery was nearly empty, and the load had grown from %.0f to %.0f W", s.creep.Before, s.creep.After)
	if s.bright > 0.35 {
		f.weigh(2, "the days before were not dark (%s of a clear sky)", percent(s.bright))
	}
	return f
}

func clock(in WhyInput, s signs) Finding {
	f := Finding{Reason: Clock}
	if in.ClockSet.Abs() < 10*time.Minute {
		return f
	}
	if s.dead && (in.ClockSet.Abs()-in.Outage.Length()).Abs() < in.Outage.Length()/10 {
		f.weigh(4, "the clock was set by %s, as long as the hole in the record", span(in.ClockSet.Abs()))
	}
	if len(f.For) > 0 && math.Abs(s.soc-s.socAfter) < 0.05 {
		f.weigh(1, "the charge was the same before and after")
	}
	return f
}

// bring is what to take along and to do first. Nothing here replaces local rules.
func bring(r Reason, s signs) []string {
	care := "Direct current arcs do not go out by themselves: switch off the load, then isolate the panel, then the battery. Local codes come first; leave to a licensed person what is theirs."
	switch r {
	case Power:
		return []string{"a charged battery or a charger with its own supply", "a brush with a soft head, if the panel may lie in snow or dirt", care}
	case LoadCreep:
		return []string{"a clamp meter for direct current, to find what draws", "a charged battery or a charger with its own supply", care}
	case TooCold:
		return []string{"a charged battery that has been kept warm; never charge LiFePO4 below 0 °C", "what it takes to keep the box above freezing", care}
	case Path:
		return []string{"a radio and its supply to swap in", "a cable and a tester for it", "Stay off masts and ladders in wind, ice or thunder."}
	case Heat:
		return []string{"a thermometer, and something that gives shade or air to the box", "Let it cool before opening: a hot, swollen or smelling battery is left alone.", care}
	case Water:
		return []string{"glands, grease, dry cloths and a spare sealed box", "a multimeter", care}
	case CutOff:
		return []string{"the manual of the controller, to look at its load settings", "a multimeter, to measure the voltage at the load when it switches on", care}
	case Protection:
		return []string{"a second battery, or a charger that can wake this one", "a spare main fuse of the same kind, and a multimeter", "A battery that is swollen, hot or smells is left alone.", care}
	case Clock:
		return []string{"nothing: give the board a clock chip or a way to the time"}
	}
	if !s.stopped() {
		return []string{"nothing yet: the record does not show that anything was off"}
	}
	return []string{"a multimeter, a charged battery, a spare main fuse, a spare memory card and a radio to swap in", care}
}
