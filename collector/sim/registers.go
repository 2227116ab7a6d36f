package sim

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"ebbwatch/collector/reading"
)

// register says where the simulated controller keeps one quantity.
type register struct {
	quantity reading.Quantity
	address  int
	kind     string  // u16 s16 u32 f32, or a bit field
	scale    float64 // from raw to the unit
	lowBit   int
	bits     int
}

// The simulated controller keeps its measurements in input registers from 256 on, and four
// registers that name it in holding registers from 16 on.
const (
	firstInput    = 256
	inputCount    = 17
	firstIdentity = 16
)

func identityWords() []uint16 { return []uint16{0x4542, 0x4257, 0x0001, 0x0052} }

// layout is the simulated controller's register list. It has each type that real ones have.
func layout() []register {
	r := func(q reading.Quantity, at int, kind string, scale float64) register {
		return register{quantity: q, address: firstInput + at, kind: kind, scale: scale}
	}
	return []register{
		r(reading.BatteryVolts, 0, "u16", 0.01),
		r(reading.BatteryAmps, 1, "s16", 0.01),
		r(reading.BatteryCelsius, 2, "s16", 0.1),
		r(reading.AirCelsius, 3, "s16", 0.1),
		r(reading.PanelWatts, 4, "u32", 0.1),
		r(reading.PanelVolts, 6, "u16", 0.01),
		r(reading.PanelAmps, 7, "u16", 0.01),
		r(reading.ChargeAmps, 8, "u16", 0.01),
		r(reading.LoadVolts, 9, "u16", 0.01),
		r(reading.LoadAmps, 10, "u16", 0.01),
		r(reading.LoadWatts, 11, "u16", 0.1),
		r(reading.ControllerCelsius, 12, "f32", 1),
		{quantity: reading.LoadOn, address: firstInput + 14, kind: "u16", lowBit: 0, bits: 1},
		{quantity: reading.ChargeStage, address: firstInput + 14, kind: "u16", lowBit: 4, bits: 4},
		r(reading.ControllerSoC, 15, "u16", 0.01),
	}
}

// MapYAML is the register map of the simulated controller, for the Modbus source, with the
// quantities that it measures.
func (spec Spec) MapYAML() []byte {
	have := spec.Sensors.Quantities
	if have == nil {
		have = ControllerQuantities()
	}
	var b strings.Builder
	fmt.Fprintf(&b, "# Register map of the simulated controller.\nbase: 0\nidentity:\n"+
		"  - {table: holding, address: %d, count: %d}\nregisters:\n", firstIdentity, len(identityWords()))
	for _, r := range layout() {
		if slices.Contains(have, r.quantity) {
			fmt.Fprintf(&b, "  - {%s}\n", r.yaml())
		}
	}
	return []byte(b.String())
}

func (r register) yaml() string {
	out := fmt.Sprintf("quantity: %s, table: input, address: %d", r.quantity, r.address)
	switch {
	case r.quantity == reading.LoadOn:
		return out + ", bits: 0, values: {0: off, 1: on}"
	case r.quantity == reading.ChargeStage:
		var names []string
		for s := reading.Off; s <= reading.Fault; s++ {
			names = append(names, fmt.Sprintf("%d: %s", s, s))
		}
		return out + ", bits: 4..7, values: {" + strings.Join(names, ", ") + "}"
	}
	out += ", type: " + r.kind
	if r.kind == "u32" {
		out += ", words: low_first"
	}
	if r.scale != 1 {
		out += fmt.Sprintf(", scale: %g", r.scale)
	}
	if absent, some := r.absent(); some {
		out += fmt.Sprintf(", absent: [0x%X]", absent)
	}
	return out
}

// absent is the raw number that says: not measured.
func (r register) absent() (raw uint32, some bool) {
	switch r.kind {
	case "u16":
		return 0xFFFF, true
	case "s16":
		return 0x8000, true
	case "u32":
		return 0xFFFFFFFF, true
	}
	return math.Float32bits(float32(math.NaN())), false
}

// raw is how the device writes a value.
func (r register) raw(x float64) uint32 {
	n := math.Round(x / or(r.scale, 1))
	switch r.kind {
	case "s16":
		return uint32(uint16(int16(min(max(n, -32767), 32767))))
	case "f32":
		return math.Float32bits(float32(x))
	case "u32":
		return uint32(min(max(n, 0), 0xFFFFFFFE))
	}
	return uint32(min(max(n, 0), 0xFFFE))
}

// image is the device's input registers, from [firstInput] on.
func image(values []reading.Value) [inputCount]uint16 {
	var out [inputCount]uint16
	put := func(r register, raw uint32) {
		at := r.address - firstInput
		switch {
		case r.bits > 0:
			out[at] |= uint16(raw << r.lowBit)
		case r.kind == "u32": // low word first
			out[at], out[at+1] = uint16(raw), uint16(raw>>16)
		case r.kind == "f32":
			out[at], out[at+1] = uint16(raw>>16), uint16(raw)
		default:
			out[at] = uint16(raw)
		}
	}
	for _, r := range layout() {
		i := slices.IndexFunc(values, func(v reading.Value) bool { return v.Quantity == r.quantity })
		if i >= 0 {
			put(r, r.raw(values[i].X))
		} else if absent, _ := r.absent(); r.bits == 0 {
			put(r, absent)
		}
	}
	return out
}
