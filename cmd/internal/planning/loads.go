package planning

import (
	"cmp"
	"fmt"
	"math"
	"strings"

	"ebbwatch/estimator/plan"
	"ebbwatch/estimator/plan/wiring"
)

// LoadLine is one load worked back to the battery.
type LoadLine struct {
	Name      string   `json:"name"`
	Device    float64  `json:"device_watts"`  // while it is on
	Battery   float64  `json:"battery_watts"` // while it is on
	Mean      float64  `json:"mean_watts"`    // at the battery, over the day
	Worst     float64  `json:"worst_watts"`   // at the battery, at its worst
	Lost      float64  `json:"lost_watts"`    // between battery and device, while it is on
	Shed      bool     `json:"may_be_shed"`
	Class     int      `json:"poe_class,omitempty"`
	Reminders []string `json:"remarks,omitempty"`
}

// nominal is the voltage of the battery at which usual losses are worked out.
func nominal(cells int) float64 { return 3.25 * float64(max(cells, 1)) }

// line works one load back to the battery.
func (l *Load) line(cells int) LoadLine {
	out := LoadLine{Name: l.Name, Device: l.Watts, Shed: l.Shed}
	at := wiring.Chain(l.Watts, l.Converter)
	switch {
	case l.PoEMeters > 0:
		e := wiring.Ethernet{Name: l.Name, Watts: max(cmp.Or(l.Worst, l.Watts), l.Watts), Mean: l.Watts, Meters: l.PoEMeters, Boost: 0.9}
		if l.Boost != nil {
			e.Boost = *l.Boost
		}
		v := e.Judge()
		out.Battery, out.Worst, out.Class = v.AtBattery/l.Converter, v.WorstAtBatt/l.Converter, v.Class.Class
		out.Reminders = append(v.Problems, fmt.Sprintf("class %d; %.2g W lost in the cable", v.Class.Class, v.CableLoss))
	default:
		if l.Cable != nil {
			v := wiring.Run{Meters: l.Cable.Meters, Cable: l.Cable.conductor(), Volts: nominal(cells), Watts: at}.Judge()
			at += v.Loss
			if v.Collapsed {
				out.Reminders = append(out.Reminders, "the cable cannot feed it at all")
			}
		}
		boost := 1.0
		if l.Boost != nil {
			boost = *l.Boost
		}
		out.Battery = wiring.Chain(at, boost)
		out.Worst = out.Battery * max(1, l.Worst/l.Watts)
	}
	out.Lost = out.Battery - l.Watts
	for _, s := range l.share {
		out.Mean += out.Battery * s / 24
	}
	return out
}

// profile adds the loads up by hour.
func profile(loads []Load, cells int) (p plan.Profile) {
	for i := range loads {
		line := loads[i].line(cells)
		for h, s := range loads[i].share {
			p.Watts[h] += line.Battery * s
			if loads[i].Shed {
				p.Shed[h] += line.Battery * s
			}
		}
	}
	return p
}

// list writes numbers as YAML.
func list(xs []float64, digits int) string {
	var parts []string
	for _, x := range xs {
		parts = append(parts, fmt.Sprintf("%.*f", digits, x))
	}
	return "[" + strings.Join(parts, ", ") + "]"
}

// finite is x, or 0 where it is not a number that JSON knows.
func finite(x float64) float64 {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return 0
	}
	return x
}
