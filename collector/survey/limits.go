package survey

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"ebbwatch/collector/plausible"
	"ebbwatch/collector/reading"
)

// Limits is what a line of a map says beside where its number is: what it cannot be.
type Limits struct {
	Min, Max float64  // in the quantity's unit
	Absent   []uint32 // raw numbers that mean: not measured
}

// String is the limits as part of a line of a map.
func (l Limits) String() string {
	var codes []string
	for _, a := range l.Absent {
		codes = append(codes, fmt.Sprintf("0x%04X", a))
	}
	out := fmt.Sprintf("min: %g, max: %g", l.Min, l.Max)
	if len(codes) > 0 {
		out += ", absent: [" + strings.Join(codes, ", ") + "]"
	}
	return out
}

// siteOf is what the looks say of the site.
func siteOf(looks []Look, panelWatts float64) plausible.Site {
	s := plausible.Site{WattsPeak: panelWatts}
	for _, l := range looks {
		if v := l.Typed[reading.BatteryVolts].X; v > 0 {
			s.Cells = 4 * max(1, int(math.Round(v/13))) // batteries of this chemistry come in blocks of four cells
		}
	}
	return s
}

// limits are what the quantity cannot be, by panel, battery and physics, and the usual codes for
// "not measured" that its type can say.
func (h *hunt) limits(c Candidate, site plausible.Site) Limits {
	l := Limits{}
	l.Min, l.Max, _ = plausible.Bounds(h.Quantity, site)
	if h.Quantity == reading.PanelVolts { // cold and without load, a panel gives half as much again as at work
		l.Max = min(l.Max, math.Ceil(2.5*max(h.largest(), 15)))
	}
	l.Min, l.Max = math.Round(100*l.Min)/100, math.Round(100*l.Max)/100
	l.Absent = codes(c, h.flips || h.signed)
	return l
}

// codes are the raw numbers by which devices say "not measured". -1 is none where a small negative
// number is as likely; where nothing flows backwards it is.
func codes(c Candidate, signed bool) []uint32 {
	switch c.Type {
	case "u16":
		return []uint32{0xFFFF, 0x7FFF, 0x8000}
	case "s16":
		if signed {
			return []uint32{0x7FFF, 0x8000}
		}
		return []uint32{0xFFFF, 0x7FFF, 0x8000}
	case "u32":
		return []uint32{0xFFFFFFFF, 0x7FFFFFFF, 0x80000000}
	case "s32":
		if signed {
			return []uint32{0x7FFFFFFF, 0x80000000}
		}
		return []uint32{0xFFFFFFFF, 0x7FFFFFFF, 0x80000000}
	}
	return nil // the number that is none says it
}

// largest is the largest that was typed.
func (h *hunt) largest() (most float64) {
	for _, v := range h.views {
		most = max(most, math.Abs(v.typed.X))
	}
	return most
}

// prefer takes the signed type where both could say all that the quantity is likely to become: an
// unsigned zero that is off by two steps would read 65.534, a signed one -0.002. Four times what
// was typed, or what a small node has anyway, is taken for likely.
func (h *hunt) prefer(c Candidate) Candidate {
	room := map[string]float64{"u16": math.MaxInt16, "u32": math.MaxInt32}[c.Type]
	likely := max(4*h.largest(), h.limit)
	switch {
	case h.volts:
		likely = max(1.5*h.largest(), min(h.limit, 32))
	case reading.Quantities()[h.Quantity].Unit == "A":
		likely = max(4*h.largest(), min(h.limit, 30))
	}
	if room > 0 && c.Offset == 0 && likely/math.Abs(c.Scale) <= room && h.Quantity != reading.ControllerSoC {
		c.Type = strings.Replace(c.Type, "u", "s", 1)
	}
	return c
}

// InTheDark holds what was found against a look without any light: what flows from the panel is
// nothing then, and the device may say in its own way that it does not measure. A constant that
// cannot be becomes a code of the line; what reads just below zero was signed; what is wrong in
// any other way is undecided again. Nothing else is changed, so a right line stays right.
func InTheDark(found []Finding, look Look, panelWatts float64) []Finding {
	out := slices.Clone(found)
	for i, f := range out {
		if f.Verdict == Decided {
			out[i] = f.inTheDark(look, panelWatts)
		}
	}
	return out
}

// sunny tells whether a quantity is nothing in the dark.
func sunny(q reading.Quantity) bool {
	return q == reading.PanelAmps || q == reading.PanelWatts || q == reading.ChargeAmps
}

func (f Finding) inTheDark(look Look, panelWatts float64) Finding {
	raws := f.raws(look)
	if len(raws) == 0 {
		return f
	}
	typed, shown := look.Typed[f.Quantity]
	still := !slices.ContainsFunc(raws, func(r uint32) bool { return r != raws[0] })
	x := f.Pick.decode(raws[0])
	possible := x >= f.Limits.Min && x <= f.Limits.Max
	right := possible && (!sunny(f.Quantity) || math.Abs(x) <= 0.5+0.02*panelWatts) &&
		(!shown || math.Abs(x-typed.X) <= traitOf(f.Quantity, panelWatts).tolerance(fit{Candidate: f.Pick}, typed))
	signed := f.Pick
	signed.Type = strings.Replace(f.Pick.Type, "u", "s", 1)
	below := signed.decode(raws[0])
	var note string
	switch {
	case slices.Contains(f.Limits.Absent, raws[0]):
		note = fmt.Sprintf("in the dark it says 0x%04X: not measured", raws[0])
	case right:
		note = fmt.Sprintf("in the dark it says %g", round(x))
	case signed.Type != f.Pick.Type && below < 0 && below >= f.Limits.Min && (!shown || math.Abs(typed.X) <= 2*typed.Digit):
		f.Pick = signed
		note = fmt.Sprintf("in the dark it says %g: it is signed", round(below))
	case still && !shown && (!possible || sunny(f.Quantity)):
		f.Limits.Absent = append(slices.Clone(f.Limits.Absent), raws[0])
		note = fmt.Sprintf("in the dark it says 0x%04X: taken for not measured", raws[0])
	default:
		f.Verdict, f.Why = Undecided, fmt.Sprintf("one candidate fits by day, but in the dark it says %g: %s", round(x), f.Pick)
		return f
	}
	f.Evidence = append(slices.Clone(f.Evidence), note)
	return f
}

// raws are the raw numbers of a look, one for each image.
func (f Finding) raws(look Look) (out []uint32) {
	for _, img := range look.Images {
		if both, known := f.Pick.bits(img); known {
			out = append(out, both)
		}
	}
	return out
}
