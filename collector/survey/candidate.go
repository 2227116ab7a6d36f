package survey

import (
	"fmt"
	"math"
	"math/bits"
	"strings"

	"ebbwatch/collector/modbus"
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
	LowByte  bool    // of the two bytes of each register the first is the low one
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

// word is a register with its bytes in order.
func (c Candidate) word(img Image, at Address) (w uint16, known bool) {
	w, known = img[at]
	if c.LowByte {
		w = bits.ReverseBytes16(w)
	}
	return w, known
}

// bits joins the registers to one number of 16 or 32 bits.
func (c Candidate) bits(img Image) (both uint32, known bool) {
	low, known := c.word(img, c.low())
	if !known || !c.wide() {
		return uint32(low), known
	}
	high, known := c.word(img, c.high())
	return uint32(high)<<16 | uint32(low), known
}

// number is what the bits say by the type, before scaling.
func (c Candidate) number(both uint32) float64 {
	switch c.Type {
	case "s16":
		return float64(int16(both))
	case "s32":
		return float64(int32(both))
	case "f32":
		return float64(math.Float32frombits(both))
	}
	return float64(both)
}

// raw is the number in the registers before scaling.
func (c Candidate) raw(img Image) (x float64, known bool) {
	both, known := c.bits(img)
	x = c.number(both)
	return x, known && !math.IsNaN(x) && !math.IsInf(x, 0)
}

func (c Candidate) decode(both uint32) float64 { return c.number(both)*c.Scale + c.Offset }

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

// takes are the registers that nothing else can be in when the candidate is right. The high
// word of a whole number that fits into 16 bits may as well be a register of its own.
func (c Candidate) takes() []Address {
	if c.Type == "f32" {
		return []Address{c.low(), c.high()}
	}
	return []Address{c.low()}
}

// String is the candidate as a line of a map, without the quantity.
func (c Candidate) String() string {
	out := fmt.Sprintf("table: %s, address: %d, type: %s", c.At.Table, c.At.Number, c.Type)
	if c.wide() && c.LowFirst {
		out += ", words: low_first"
	}
	if c.LowByte {
		out += ", bytes: low_first"
	}
	if c.Scale != 1 {
		out += fmt.Sprintf(", scale: %g", c.Scale)
	}
	if c.Offset != 0 {
		out += fmt.Sprintf(", offset: %g", c.Offset)
	}
	return out
}
