package survey

import (
	"fmt"
	"maps"
	"math"
	"slices"

	"ebbwatch/collector/reading"
)

// panelKick judges a panel that was covered or uncovered. How much that is only the other
// readings tell: volts times amperes, the charging current, the battery's current, the label.
func (j judge) panelKick(q reading.Quantity, m moved, v *KickVerdict) {
	way := -1.0
	if j.kick.What == PanelUncovered {
		way = 1
	}
	switch q {
	case reading.PanelWatts, reading.PanelAmps, reading.ChargeAmps:
		lit := max(m.before, m.after, 0)
		switch {
		case lit < 0.3 || lit < 4*m.noise:
			v.never(m, way, "the panel gave too little to tell")
		case math.Abs(m.change()) < 0.7*lit:
			v.Proof, v.Why = Contradicted, "it should fall to almost nothing without light"
		default:
			v.compare(m, way, j.alike(q))
		}
		if label := j.kick.Watts; v.Proof == NotSeen && q == reading.PanelWatts && label > 0 && lit > 1.6*label+20 {
			v.Proof, v.Why = Contradicted, fmt.Sprintf("%.4g W is more than panels of %g W give", lit, label)
		}
	case reading.BatteryAmps:
		if charge, known := j.seen[reading.ChargeAmps]; known {
			v.amount(m, charge.change())
			return
		}
		v.compare(m, way, j.alike(q))
	case reading.PanelVolts:
		v.panelVolts(m, way, j)
	case reading.BatteryVolts:
		for _, a := range j.alike(reading.BatteryAmps) {
			v.sag(m, a.change)
			return
		}
		if i, known := j.seen[reading.BatteryAmps]; known {
			v.sag(m, i.change())
			return
		}
		v.direction(m, way, onlyWay)
	default:
		v.none("the panel does not show in it")
	}
}

const onlyWay = "how much it should have moved, nothing else that is measured tells"

// ref is a change as another reading has it.
type ref struct {
	of     string
	change float64
}

// alike are the changes of a quantity as the others have them. Between panel and battery the
// charger loses about a fifteenth.
func (j judge) alike(q reading.Quantity) (out []ref) {
	const kept = 0.93
	lit := j.lit(reading.PanelVolts)
	power := map[reading.Quantity]float64{} // of the panel, W
	for of, factor := range map[reading.Quantity]float64{
		reading.PanelWatts: 1, reading.PanelAmps: lit, reading.ChargeAmps: j.volts() / kept, reading.BatteryAmps: j.volts() / kept,
	} {
		if m, known := j.seen[of]; known && of != q && m.clearly() {
			power[of] = m.change() * factor
		}
	}
	if q == reading.BatteryAmps || q == reading.ChargeAmps {
		delete(power, reading.BatteryAmps)
	}
	scale := map[reading.Quantity]float64{reading.PanelWatts: 1, reading.PanelAmps: 1 / lit, reading.ChargeAmps: kept / j.volts(), reading.BatteryAmps: kept / j.volts()}[q]
	names := map[reading.Quantity]string{reading.PanelWatts: "pv_watts", reading.PanelAmps: "pv_volts times pv_amps", reading.ChargeAmps: "charge_amps", reading.BatteryAmps: "battery_amps"}
	for _, of := range slices.Sorted(maps.Keys(power)) {
		if change := power[of] * scale; !math.IsNaN(change) && !math.IsInf(change, 0) {
			out = append(out, ref{names[of], change})
		}
	}
	return out
}

// lit is a quantity while the panel had light; NaN when it is not known.
func (j judge) lit(q reading.Quantity) float64 {
	m, known := j.seen[q]
	switch {
	case !known:
		return math.NaN()
	case j.kick.What == PanelUncovered:
		return m.after
	}
	return m.before
}

// compare holds a change against those that others saw, to a third. Two that disagree prove only
// that one of them is wrong; several that agree with each other prove which.
func (v *KickVerdict) compare(m moved, way float64, refs []ref) {
	if v.sign(m, way); v.Proof != Confirmed {
		return
	}
	alike, other := 0, ref{}
	for _, o := range refs {
		if math.Abs(m.change()-o.change) <= 0.33*max(math.Abs(o.change), math.Abs(m.change()))+4*m.noise {
			alike, v.Expected = alike+1, o.change
		} else {
			other = o
		}
	}
	against := len(refs) - alike
	switch {
	case len(refs) == 0:
		v.none(fmt.Sprintf("moved by %+.3g, the right way; %s", m.change(), onlyWay))
	case alike > 0 && alike >= against:
		v.Why = fmt.Sprintf("moved by %+.3g, the others by as much", m.change())
	case against >= 2 && agree(refs):
		v.Proof, v.Expected = Contradicted, other.change
		v.Why = fmt.Sprintf("moved by %+.3g, %s by as for %+.3g%s", m.change(), other.of, other.change, slip(m.change()/other.change))
	default:
		v.none(fmt.Sprintf("moved by %+.3g, %s by as for %+.3g%s: one of the two is wrong", m.change(), other.of, other.change, slip(m.change()/other.change)))
	}
}

func agree(refs []ref) bool {
	return !slices.ContainsFunc(refs, func(r ref) bool { return math.Abs(r.change/refs[0].change-1) > 0.4 })
}

// panelVolts holds the panel's voltage in light against its watts and amperes.
func (v *KickVerdict) panelVolts(m moved, way float64, j judge) {
	watts, amps, volts := j.lit(reading.PanelWatts), j.lit(reading.PanelAmps), j.lit(reading.PanelVolts)
	switch v.sign(m, way); {
	case v.Proof != Confirmed:
	case !(watts > 5 && amps > 0.3):
		v.none(fmt.Sprintf("moved by %+.3g, the right way; %s", m.change(), onlyWay))
	case math.Abs(watts/amps/volts-1) > 0.25:
		v.none(fmt.Sprintf("%.3g V in the light, but pv_watts over pv_amps is %.3g V: one of the three is wrong", volts, watts/amps))
	default:
		v.Why = fmt.Sprintf("moved by %+.3g, and %.3g V in the light is pv_watts over pv_amps", m.change(), volts)
	}
}

// sag judges a voltage at the battery by the current that moved it: batteries and their cables
// have between one thousandth and a fifth of an ohm. Common practice.
func (v *KickVerdict) sag(m moved, amps float64) {
	if v.sign(m, amps); v.Proof != Confirmed {
		return
	}
	ohms := m.change() / amps
	switch cells := math.Round(m.before / 13); {
	case ohms < 0.001 || ohms > 0.2:
		v.none(fmt.Sprintf("moved by %+.3g V for %+.3g A: that is %.2g ohms, which no battery and its cables have", m.change(), amps, ohms))
	case cells < 1 || m.before < 10*cells || m.before > 15.8*cells:
		v.none(fmt.Sprintf("moved by %+.3g V, the right way, but %.4g V is of no battery in blocks of four cells", m.change(), m.before))
	default:
		v.Why = fmt.Sprintf("moved by %+.3g V for %+.3g A", m.change(), amps)
	}
}

// direction judges a change of which no size is known: it can be the wrong way only.
func (v *KickVerdict) direction(m moved, way float64, why string) {
	if v.sign(m, way); v.Proof == Confirmed {
		v.none(fmt.Sprintf("moved by %+.3g, the right way; %s", m.change(), why))
	}
}
