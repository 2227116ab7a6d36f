package modbus

import (
	"fmt"
	"math"
	"math/bits"
	"slices"
	"time"

	"ebbwatch/collector/reading"
)

// point is one quantity of a map, ready to read.
type point struct {
	quantity         reading.Quantity
	table            Table
	addr             uint16 // on the wire, from 0
	shown            int    // as the map writes it
	kind             string
	words            int  // that stand at addr
	size             int  // of the number, in registers
	lowWord, lowByte bool // the low half comes first
	scale, offset    float64
	field            bool // only some bits count
	bitLow           int
	bitMask          uint64
	values           map[uint64]float64 // names of raw numbers; nil when it is a measurement
	absent           []int64
	usual            bool // the usual codes mean not measured
	min, max         float64
	every            time.Duration // asked for no oftener
	part             bool          // it stands for one of the further registers, for planning
	more             []extra       // further registers that make up the number, in the order of their use
}

// extra is a register, or two, that a number needs besides those at its address.
type extra struct {
	use   string // low, minus, sign or exponent
	addr  uint16
	words int
	// For a sign: the bits and what they hold when the number is negative.
	bitLow  int
	bitMask uint64
	when    uint64
}

func (p point) span() span { return span{int(p.addr), int(p.addr) + p.words} }

// parts lists the point and a point for each of its further registers, for planning.
func (p point) parts() []point {
	all := []point{p}
	for _, e := range p.more {
		part := p
		part.addr, part.words, part.more, part.part = e.addr, e.words, nil, true
		all = append(all, part)
	}
	return all
}

// decode turns the registers of the point, those of its further parts behind, into a value.
// known is false when the device says that it was not measured; why says what is wrong with a
// value that is refused.
func (p point) decode(regs []uint16) (x float64, known bool, why string) {
	main, rest := regs[:p.words], regs[p.words:]
	part := map[string][]uint16{}
	for _, e := range p.more {
		part[e.use], rest = rest[:e.words], rest[e.words:]
	}
	raw := p.raw(slices.Concat(main, part["low"]))
	if p.isAbsent(raw) {
		return 0, false, ""
	}
	shown := raw
	if p.field {
		raw = raw >> p.bitLow & p.bitMask
	}
	if p.values != nil {
		x, named := p.values[raw]
		if !named {
			return 0, false, fmt.Sprintf("says %d, which the map does not name", raw)
		}
		return x, true, ""
	}
	x, known, why = p.number(raw)
	if known {
		x, known, why = p.adjust(x, part)
	}
	if !known { // the number that is none is how f32 says absent
		return 0, false, why
	}
	x = x*p.scale + p.offset
	if x < p.min || x > p.max || math.IsInf(x, 0) {
		unit := reading.Quantities()[p.quantity].Unit
		return 0, false, fmt.Sprintf("gives %.6g %s, outside %g to %g (raw 0x%0*X)", x, unit, p.min, p.max, 4*p.size, shown)
	}
	return x, true, ""
}

// adjust takes the opposite direction off, gives the number its sign, and scales it by what the
// device says.
func (p point) adjust(x float64, part map[string][]uint16) (float64, bool, string) {
	for _, e := range p.more {
		regs := part[e.use]
		switch e.use {
		case "minus":
			raw := p.raw(regs)
			y, known, why := p.number(raw)
			if !known || p.isAbsent(raw) {
				return 0, false, why
			}
			x -= y
		case "sign":
			if uint64(p.word(regs[0]))>>e.bitLow&e.bitMask == e.when {
				x = -x
			}
		case "exponent":
			n := int(int16(p.word(regs[0])))
			if n < -10 || n > 10 {
				return 0, false, fmt.Sprintf("has the scale 10^%d in its register %d", n, e.addr)
			}
			x *= math.Pow10(n)
		}
	}
	return x, true, ""
}

// raw joins the registers to one number of 16 or 32 bits.
func (p point) raw(regs []uint16) uint64 {
	high, low := uint64(0), uint64(p.word(regs[0]))
	if len(regs) == 2 {
		high, low = low, uint64(p.word(regs[1]))
		if p.lowWord {
			high, low = low, high
		}
	}
	return high<<16 | low
}

func (p point) word(w uint16) uint16 {
	if p.lowByte {
		return bits.ReverseBytes16(w)
	}
	return w
}

// isAbsent compares the bits, so that -32768 and 0x8000 say the same.
func (p point) isAbsent(raw uint64) bool {
	mask := uint64(1)<<(16*p.size) - 1
	for _, a := range p.absent {
		if uint64(a)&mask == raw {
			return true
		}
	}
	return p.usual && slices.Contains(usualAbsent(p.kind), raw)
}

// usualAbsent are the codes that devices commonly use for a number that was not measured: all
// bits set, and the greatest and the least signed number. No honest reading of a node stands
// at exactly one of them for long.
func usualAbsent(kind string) []uint64 {
	return map[string][]uint64{
		"u16": {0xFFFF, 0x7FFF, 0x8000}, "s16": {0x7FFF, 0x8000},
		"u32": {0xFFFFFFFF, 0x7FFFFFFF, 0x80000000}, "s32": {0x7FFFFFFF, 0x80000000},
		"bcd16": {0xFFFF}, "bcd32": {0xFFFFFFFF}, "dec32": {0xFFFFFFFF},
	}[kind]
}

// number reads the bits as the type says. It is not known where they are no number.
func (p point) number(raw uint64) (x float64, known bool, why string) {
	switch p.kind {
	case "u8":
		return float64(raw & 0xFF), true, ""
	case "s8":
		return float64(int8(raw)), true, ""
	case "s16":
		return float64(int16(raw)), true, ""
	case "s32":
		return float64(int32(raw)), true, ""
	case "f32":
		x = float64(math.Float32frombits(uint32(raw)))
		return x, !math.IsNaN(x), ""
	case "bcd16", "bcd32":
		for shift := 16*p.size - 4; shift >= 0; shift -= 4 {
			digit := raw >> shift & 0xF
			if digit > 9 {
				return 0, false, fmt.Sprintf("holds 0x%0*X, which is no decimal number: is its type bcd?", 4*p.size, raw)
			}
			x = 10*x + float64(digit)
		}
		return x, true, ""
	case "dec32":
		high, low := raw>>16, raw&0xFFFF
		if low > 9999 {
			return 0, false, fmt.Sprintf("holds %d where at most 9999 can be: are its words in this order, and four digits each?", low)
		}
		return float64(high)*10000 + float64(low), true, ""
	}
	return float64(raw), true, ""
}
