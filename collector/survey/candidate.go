package survey

import (
	"fmt"
	"math"
	"strings"

	"ebbwatch/collector/modbus"
	"ebbwatch/collector/reading"
)

// Address is one register, numbered from 0 as on the wire.
type Address struct {
	Table  modbus.Table
	Number int
}

// Image is what the readable registers held at one moment.
type Image map[Address]uint16

// Candidate is one way to read a quantity from the registers: raw × Scale + Offset.
type Candidate struct {
	At       Address // the first register
	Type     string  // u16 s16 u32 s32 f32
	LowFirst bool    // of two registers the first is the low one
	Scale    float64
	Offset   float64
}

// form is a type with its word order.
type form struct {
	kind     string
	lowFirst bool
}

func forms() []form {
	return []form{
		{"u16", false}, {"s16", false}, {"u32", false}, {"u32", true},
		{"s32", false}, {"s32", true}, {"f32", false}, {"f32", true},
	}
}

func (c Candidate) wide() bool { return strings.HasSuffix(c.Type, "32") }

// low is the register that holds the low half.
func (c Candidate) low() Address {
	if c.wide() && !c.LowFirst {
		return Address{c.At.Table, c.At.Number + 1}
	}
	return c.At
}

// high is the register that holds the high half of 32 bits.
func (c Candidate) high() Address {
	if c.LowFirst {
		return Address{c.At.Table, c.At.Number + 1}
	}
	return c.At
}

// raw is the number in the registers before scaling.
func (c Candidate) raw(img Image) (x float64, known bool) {
	low, known := img[c.low()]
	if !known {
		return 0, false
	}
	if !c.wide() {
		if c.Type == "s16" {
			return float64(int16(low)), true
		}
		return float64(low), true
	}
	high, known := img[c.high()]
	both := uint32(high)<<16 | uint32(low)
	switch c.Type {
	case "s32":
		return float64(int32(both)), known
	case "f32":
		f := float64(math.Float32frombits(both))
		return f, known && !math.IsNaN(f) && !math.IsInf(f, 0)
	}
	return float64(both), known
}

// Value is the quantity as this candidate reads it.
func (c Candidate) Value(img Image) (x float64, known bool) {
	x, known = c.raw(img)
	return x*c.Scale + c.Offset, known
}

// step is the worth of one raw unit.
func (c Candidate) step() float64 {
	if c.Type == "f32" {
		return 0
	}
	return math.Abs(c.Scale)
}

// String is the candidate as a line of a map, without the quantity.
func (c Candidate) String() string {
	out := fmt.Sprintf("table: %s, address: %d, type: %s", c.At.Table, c.At.Number, c.Type)
	if c.wide() && c.LowFirst {
		out += ", words: low_first"
	}
	if c.Scale != 1 {
		out += fmt.Sprintf(", scale: %g", c.Scale)
	}
	if c.Offset != 0 {
		out += fmt.Sprintf(", offset: %g", c.Offset)
	}
	return out
}

// surprise is how unusual a way of writing is, as the logarithm of a probability: most
// devices count in decades. Common practice, no figures are published.
func (c Candidate) surprise() float64 {
	out := 0.0
	scale := math.Abs(c.Scale)
	decades, doublings := math.Log10(scale), math.Log2(scale)
	switch {
	case c.Type == "f32" && c.Scale != 1:
		out += 3
	case whole(decades):
	case whole(doublings) && scale < 0.2:
		out += 5.5
	default:
		out += 3.5
	}
	switch c.Offset {
	case 0:
	case -40:
		out += 2
	default:
		out += 4
	}
	return out
}

func whole(x float64) bool { return math.Abs(x-math.Round(x)) < 1e-9 }

// trait says how a quantity may be written and how large it can get.
type trait struct {
	scales  []float64
	offsets []float64
	signed  bool    // either sign is usual
	volts   bool    // it is a voltage
	flips   bool    // devices disagree on the sign
	limit   float64 // the largest value on a small node, for judging whether 16 bits are enough
	usual   float64 // the span over which it usually lies, for judging chance
	gain    float64 // how far display and register may differ, relative
	blur    float64 // and absolute
}

func traitOf(q reading.Quantity, panelWatts float64) trait {
	// No two scales are nearer than a fifth: no meter could tell them apart.
	fine := []float64{0.1, 0.01, 0.001, 0.05, 0.02, 0.005, 0.002, 0.125, 1. / 16, 1. / 32, 1. / 64, 1. / 128, 1. / 256}
	coarse := append([]float64{1, 0.5, 2, 10}, fine...)
	watts := panelWatts * 1.3
	if watts <= 0 {
		watts = 650
	}
	switch q {
	case reading.BatteryVolts, reading.LoadVolts:
		return trait{scales: fine, volts: true, limit: 32, usual: 3, gain: 0.01}
	case reading.PanelVolts:
		return trait{scales: append([]float64{1}, fine...), volts: true, limit: 150, usual: 20, gain: 0.01, blur: 0.05}
	case reading.BatteryAmps:
		return trait{scales: fine, signed: true, flips: true, limit: 60, usual: 6, gain: 0.02, blur: 0.02}
	case reading.PanelAmps, reading.ChargeAmps, reading.LoadAmps:
		return trait{scales: fine, limit: 60, usual: 6, gain: 0.02, blur: 0.02}
	case reading.PanelWatts, reading.LoadWatts:
		return trait{scales: coarse, limit: watts, usual: 80, gain: 0.025, blur: 0.1}
	case reading.ControllerSoC:
		return trait{scales: []float64{0.01, 0.001, 0.0001}, limit: 1, usual: 0.6, gain: 0.005}
	}
	return trait{scales: []float64{1, 0.1, 0.01, 0.5, 0.25, 0.125, 1. / 16, 1. / 256},
		offsets: []float64{-40, -50, -100, -273.15}, signed: true, limit: 120, usual: 25, gain: 0.01, blur: 0.5}
}

// candidates lists every way to read a register for which fits says yes.
func (t trait) candidates(at Address, fits func(Candidate) bool) []Candidate {
	var out []Candidate
	try := func(c Candidate) {
		if fits(c) {
			out = append(out, c)
		}
	}
	for _, f := range forms() {
		c := Candidate{At: at, Type: f.kind, LowFirst: f.lowFirst, Scale: 1}
		if f.kind == "f32" {
			t.floats(c, try)
			continue
		}
		for _, s := range t.scales {
			c.Scale = s
			try(c)
			if t.flips {
				c.Scale = -s
				try(c)
				c.Scale = s
			}
			for _, o := range t.offsets {
				try(Candidate{At: c.At, Type: c.Type, LowFirst: c.LowFirst, Scale: s, Offset: o})
			}
		}
	}
	return out
}

// floats come in the unit itself, or in thousandths, or in per cent of a ratio.
func (t trait) floats(c Candidate, try func(Candidate)) {
	scales := []float64{1, 0.001}
	if t.limit == 1 {
		scales = []float64{1, 0.01}
	}
	for _, s := range scales {
		c.Scale = s
		try(c)
		if t.flips {
			c.Scale = -s
			try(c)
		}
	}
}
