package planning

import (
	"fmt"
	"strings"

	"ebbwatch/cmd/internal/config"
	"ebbwatch/estimator/battery"
	"ebbwatch/estimator/plan/radio"
	"ebbwatch/estimator/plan/wiring"
)

// draw judges what needs no weather: the pair, the cables, the path.
func (r *Report) draw(c *config.Config, d Drawing) {
	if d.Assume.Pair != nil {
		r.Pair = r.pair(d)
	}
	if d.Wiring != nil {
		r.Wiring = wires(d, c)
	}
	if d.Radio != nil {
		p := d.Radio.path()
		p.Europe = c.Site.Zone != nil && strings.HasPrefix(c.Site.Zone.String(), "Europe/")
		r.Radio = &RadioReport{From: p.From.Name, To: p.To.Name, MHz: p.MHz, Verdict: p.Judge(), Reminders: radio.Reminder()}
	}
}

// worst is the power of all loads at their worst, W at the battery.
func (r *Report) worst() float64 {
	sum := 0.0
	for _, l := range r.Loads {
		sum += l.Worst
	}
	if sum == 0 {
		return r.Drawn
	}
	return sum
}

// pair holds a buried pair against the sun.
func (r *Report) pair(d Drawing) *PairReport {
	a := d.Assume.Pair
	v := wiring.Pair{Watts: r.worst(), Volts: a.Volts, Meters: a.Meters, Cable: a.conductor()}.Judge()
	out := &PairReport{
		Meters: a.Meters, Volts: a.Volts, Verdict: v, Possible: v.Possible, DropVolts: finite(v.Drop), Share: finite(v.Share),
		LossWatts: finite(v.Loss), WantMM2: v.WantMM2, KWhYear: finite(v.Energy()), Cost: a.Meters * d.Prices.TrenchM,
	}
	if !v.Possible {
		out.Says = fmt.Sprintf("%.0f W over %.0f m at %.0f V do not go through this cable: %s.", v.Watts, v.Meters, v.Volts, fiveShare(v))
		return out
	}
	out.Says = fmt.Sprintf("%.0f W over %.0f m at %.0f V: %.2f A, %.1f V of drop (%.1f %%), %.1f W lost, %.0f kWh a year from the house.",
		v.Watts, v.Meters, v.Volts, v.Amps, v.Drop, v.Share*100, v.Loss, v.Energy())
	if v.Share > 0.05 {
		out.Says += " " + upper(fiveShare(v)) + "."
	}
	switch best := r.cheapest(); {
	case out.Cost > 0 && best > 0 && out.Cost < best:
		out.Says += fmt.Sprintf(" The trench costs about %.0f %s, panel and battery that keep the target %.0f: the pair is the better buy.", out.Cost, r.Currency, best)
	case out.Cost > 0 && best > 0:
		out.Says += fmt.Sprintf(" The trench costs about %.0f %s, panel and battery that keep the target %.0f: the sun is the better buy.", out.Cost, r.Currency, best)
	default:
		out.Says += " It is never dark in January; if a trench is dug, lay fibre in it too. Give prices to compare."
	}
	return out
}

// fiveShare says which standard section keeps a pair's drop to 5 %.
func fiveShare(v wiring.PairVerdict) string {
	if v.NextMM2 == 0 {
		return fmt.Sprintf("for 5 %% of drop %.0f mm² are wanted, more than is usual", v.WantMM2)
	}
	return fmt.Sprintf("for 5 %% of drop take %.4g mm²", v.NextMM2)
}

// cheapest is the price of the best pair of panel and battery; 0 when it is not known.
func (r *Report) cheapest() float64 {
	for _, p := range r.Frontier {
		if p.Best {
			return p.Cost
		}
	}
	return 0
}

// wires judges the cables and the ladder.
func wires(d Drawing, c *config.Config) *WiringReport {
	w, bank := d.Wiring, c.Battery.Model()
	out := &WiringReport{Ladder: wiring.Ladder{
		Shed: w.ShedVolts, Stop: w.StopVolts, Controller: bank.CutoffVolts, Protection: w.ProtectionVolts, Back: w.BackVolts, Cells: bank.Cells,
	}.Check()}
	for _, s := range []wiring.Step{{Name: "the radio is shed", Volts: w.ShedVolts}, {Name: "the board stops in good order", Volts: w.StopVolts},
		{Name: "the controller takes the load off", Volts: bank.CutoffVolts}, {Name: "the battery's protection opens", Volts: w.ProtectionVolts}} {
		if s.Volts > 0 {
			out.Steps = append(out.Steps, s)
		}
	}
	for i := range w.Runs {
		out.Runs = append(out.Runs, run(&w.Runs[i], w, bank))
	}
	return out
}

func run(x *Run, w *Wiring, b battery.Battery) RunReport {
	volts := b.CutoffVolts
	if x.Volts != nil {
		volts = *x.Volts
	}
	v := wiring.Run{Name: x.Name, Meters: x.Meters, Cable: x.conductor(), Volts: volts, Watts: x.Watts, Amps: x.Amps, FuseAmps: x.Fuse, Most: x.Most}.Judge()
	out := RunReport{
		Name: x.Name, Meters: x.Meters, Size: size(x.Cable), Amps: v.Current, DropVolts: v.Drop, Share: v.Share, LossWatts: v.Loss, Fine: v.Fine,
		Want: want(v, x.Cable),
	}
	if v.Collapsed {
		out.Problems = append(out.Problems, "the load cannot be fed through this cable at all")
	}
	if !v.Fine && !v.Collapsed {
		out.Problems = append(out.Problems, fmt.Sprintf("drops %.1f %%, more than %.1f %%", v.Share*100, v.Most*100))
	}
	if x.Open {
		out.Fuse = "none needed"
		return out
	}
	out.fuse(v, w, b)
	return out
}

// fuse says which fuse fits. Two wires may be named, the drawn and the wanted one: the range
// is what both may carry.
func (out *RunReport) fuse(v wiring.Verdict, w *Wiring, bank battery.Battery) {
	ohms := w.BatteryMilliohms / 1000
	if ohms == 0 {
		ohms = wiring.BatteryOhms(bank.Cells, bank.CapacityAh)
	}
	b := v.Fuse(3.6*float64(max(bank.Cells, 1)), ohms)
	most := b.Most
	if !(v.Fine && v.Carries) && v.NextMM2 > 0 {
		most = min(most, wiring.Ampacity(v.NextMM2))
	}
	breaking := fmt.Sprintf("breaking %.0f kA", b.Interrupt/1000)
	if b.Interrupt == 0 {
		breaking = fmt.Sprintf("made to break the %.0f kA of this battery", b.Short/1000)
	}
	switch {
	case b.Least > most:
		out.Fuse = "none fits this wire"
	case b.Size > 0 && b.Size <= most:
		out.Fuse = fmt.Sprintf("%.3g A (%.3g to %.3g), %s", b.Size, b.Least, most, breaking)
	default:
		out.Fuse = fmt.Sprintf("%.3g to %.3g A, %s", b.Least, most, breaking)
	}
	out.Problems = append(out.Problems, b.Problems...)
}

// clearance says how much of the first Fresnel zone the ground leaves free.
func clearance(v radio.Verdict) string {
	if v.Clear < 0 {
		return "no: the ground stands in the line"
	}
	return fmt.Sprintf("%.0f %%", v.Clear*100)
}

// overCrowns says the same of the crowns, where there are any near.
func overCrowns(v radio.Verdict) string {
	switch {
	case v.CrownClear >= v.Clear || v.CrownClear > 2:
		return ""
	case v.CrownClear < 0:
		return "; it passes through crowns"
	}
	return fmt.Sprintf("; of crowns: %.0f %%", v.CrownClear*100)
}

func size(c Cable) string {
	if c.AWG != nil {
		return gauge(*c.AWG)
	}
	return fmt.Sprintf("%.4g mm²", c.MM2)
}

func gauge(n int) string {
	if n <= 0 {
		return fmt.Sprintf("%d/0 AWG", 1-n)
	}
	return fmt.Sprintf("%d AWG", n)
}

// want is the cable to take: the drawn one where it does, else the least that does.
func want(v wiring.Verdict, drawn Cable) string {
	if v.Fine && v.Carries {
		return size(drawn) + " as drawn"
	}
	text := "more than 35 mm²"
	if v.NextMM2 > 0 {
		text = fmt.Sprintf("%.4g mm²", v.NextMM2)
	}
	if v.AWGOK {
		text += " or " + gauge(v.NextAWG)
	}
	return text
}

// parts is the list to take to the shop.
func (r *Report) parts(d Drawing) []string {
	out := []string{"Panel: " + r.Panel, "Battery: " + r.Battery + ", with its own protection that refuses charge below freezing"}
	for _, l := range r.Loads {
		text := fmt.Sprintf("%s: %.3g W, %.3g W at the battery", l.Name, l.Device, l.Battery)
		if l.Class > 0 {
			text += fmt.Sprintf(", power over Ethernet class %d", l.Class)
		}
		out = append(out, text)
	}
	if r.Wiring != nil {
		for _, x := range r.Wiring.Runs {
			out = append(out, fmt.Sprintf("Cable %s: %.3g m of %s, two conductors, fuse %s, both ends labelled", x.Name, x.Meters, x.Want, x.Fuse))
		}
	}
	if r.Radio != nil {
		out = append(out, fmt.Sprintf("Antennas: %s at %.3g m, %s at %.3g m", d.Radio.From.Name, d.Radio.From.Height, d.Radio.To.Name, d.Radio.To.Height))
	}
	return append(out, "Disconnects for panel, battery and load; a fuse holder for direct current within a hand's breadth of the battery; vent, drain and glands for the box")
}

// cautions are the usual ones.
func cautions() []string {
	return []string{
		"Never charge LiFePO4 below 0 °C, and do not defeat the battery's protection. Leave a battery that is swollen, hot or smells.",
		"Fuse at the battery, rated for direct current, with an interrupting rating above its short current (thousands of amperes). Arcs of direct current do not go out by themselves.",
		"Panels are live in light. Connect the battery before the panel, and take the panel off first.",
		"Insulated tools, no rings, one pole covered. Nothing that burns beside the battery; a heater only with a thermal cut-off of its own.",
		"A controller that switches the negative must not share a ground with a data cable: the cable would carry the load.",
		"Fixed wiring, mains, earthing, lightning protection, masts and trenches belong to licensed people and local rules. Buried cable: ask what lies there first.",
		"Ladders and masts not in wind, ice or thunder, and never alone. A dark relay is not worth a dangerous trip.",
		"Radiated power, antenna gain, outdoor channels and radar detection follow local law.",
		"This is a reckoning from the assumptions listed, not a design that somebody answers for.",
	}
}
