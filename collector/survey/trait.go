package survey

import (
	"math"
	"slices"

	"ebbwatch/collector/reading"
)

// trait says how a quantity may be written, how large it can get and how often it is missing.
// The weights are common practice; no figures are published.
type trait struct {
	usual   []float64 // scales, with the rarer ones below
	rare    []float64
	seldom  []float64
	offsets []float64
	signed  bool    // either sign is usual
	volts   bool    // it is a voltage
	flips   bool    // devices disagree on the sign
	limit   float64 // the largest value on a small node, for judging whether 16 bits are enough
	least   float64 // the largest value of some looks is hardly below this
	span    float64 // over which it usually lies, for judging chance
	swing   float64 // by which it usually changes between two looks
	gain    float64 // how far display and register may differ, relative
	blur    float64 // and absolute
	absent  float64 // how likely an owner sees it though the device has no register for it
}

func traitOf(q reading.Quantity, panelWatts float64) trait {
	watts := panelWatts * 1.3
	if watts <= 0 {
		watts = 650
	}
	binary := []float64{0.125, 1. / 16, 1. / 32, 1. / 64, 1. / 128, 1. / 256}
	t := trait{
		usual: []float64{0.1, 0.01, 0.001}, rare: []float64{1, 0.0001},
		seldom: append([]float64{0.05, 0.02, 0.005, 0.002}, binary...), absent: 0.005,
	}
	switch q {
	case reading.BatteryVolts, reading.LoadVolts:
		t.volts, t.limit, t.least, t.span, t.swing, t.gain = true, 32, 9, 3, 1, 0.01
	case reading.PanelVolts:
		t.volts, t.limit, t.least, t.span, t.swing, t.gain, t.blur = true, 150, 9, 20, 6, 0.01, 0.05
	case reading.BatteryAmps:
		t.signed, t.flips, t.limit, t.least, t.span, t.swing, t.gain, t.blur = true, true, 60, 0.1, 6, 6, 0.02, 0.02
	case reading.PanelAmps, reading.ChargeAmps, reading.LoadAmps:
		t.limit, t.least, t.span, t.swing, t.gain, t.blur = 60, 0.1, 6, 4, 0.02, 0.02
	case reading.PanelWatts, reading.LoadWatts:
		t.usual, t.rare, t.seldom = []float64{1, 0.1, 0.01}, []float64{0.001, 10}, append([]float64{0.5, 2, 0.05, 0.02}, binary...)
		t.limit, t.least, t.span, t.swing, t.gain, t.blur = watts, 1, 80, 60, 0.025, 0.1
	case reading.ControllerSoC:
		t.usual, t.rare, t.seldom = []float64{0.01, 0.001}, []float64{0.0001}, []float64{0.005, 0.004, 0.002, 1. / 255, 1. / 256}
		t.limit, t.least, t.span, t.swing, t.gain = 1, 0.03, 0.6, 0.2, 0.005
	default: // temperatures
		t.usual, t.rare, t.seldom = []float64{1, 0.1, 0.01}, nil, []float64{0.5, 0.25, 0.125, 0.2, 0.05, 0.02, 1. / 16, 1. / 256}
		t.offsets = []float64{-40, -50, -100, -273.15}
		t.signed, t.limit, t.span, t.swing, t.gain, t.blur = true, 120, 25, 8, 0.01, 0.5
	}
	if q == reading.BatteryVolts {
		t.absent = 0.001 // every controller measures it
	}
	return t
}

// prior is how usual a way of writing is, as the logarithm of a probability: most devices
// count in decades.
func (t trait) prior(c Candidate) float64 {
	scale, p := math.Abs(c.Scale), 0.005
	switch {
	case c.Type == "f32" && scale == 1 || slices.Contains(t.usual, scale):
		p = 0.25
	case c.Type == "f32" || slices.Contains(t.rare, scale):
		p = 0.02
	}
	if t.flips && c.Scale < 0 {
		p *= 0.3
	}
	switch c.Offset {
	case 0:
	case -40:
		p *= 0.1
	default:
		p *= 0.02
	}
	return math.Log(p)
}

// odd tells whether a candidate has a scale that few devices use.
func (t trait) odd(c Candidate) bool {
	return c.Type != "f32" && !slices.Contains(t.usual, math.Abs(c.Scale)) && !slices.Contains(t.rare, math.Abs(c.Scale))
}

// scales are all that are tried for a type.
func (t trait) scales(kind string) []float64 {
	all := slices.Concat(t.usual, t.rare, t.seldom)
	if kind == "f32" { // the unit itself, thousandths, thousands, or per cent of a ratio
		all = []float64{1, 0.001}
		if t.limit == 1 {
			all = []float64{1, 0.01}
		}
		if t.limit > 200 {
			all = []float64{1, 0.001, 1000}
		}
	}
	if t.flips {
		for _, s := range slices.Clone(all) {
			all = append(all, -s)
		}
	}
	return all
}
