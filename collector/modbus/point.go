package modbus

import (
	"fmt"
	"math"
	"math/bits"

	"ebbwatch/collector/reading"
)

// point is one quantity of a map, ready to read.
type point struct {
	quantity         reading.Quantity
	table            Table
	addr             uint16 // on the wire, from 0
	shown            int    // as the map writes it
	kind             string
	words            int
	lowWord, lowByte bool // the low half comes first
	scale, offset    float64
	field            bool // only some bits count
	bitLow           int
	bitMask          uint64
	values           map[uint64]float64 // names of raw numbers; nil when it is a measurement
	absent           []int64
	min, max         float64
}

func (p point) span() span { return span{int(p.addr), int(p.addr) + p.words} }

// decode turns the registers of the point into a value. known is false when the device
// says that it was not measured; why says what is wrong with a value that is refused.
func (p point) decode(regs []uint16) (x float64, known bool, why string) {
	raw := p.raw(regs)
	if p.isAbsent(raw) {
		return 0, false, ""
	}
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
	x = p.number(raw)
	if math.IsNaN(x) { // the number that is none: how f32 says absent
		return 0, false, ""
	}
	x = x*p.scale + p.offset
	if x < p.min || x > p.max {
		unit := reading.Quantities()[p.quantity].Unit
		return 0, false, fmt.Sprintf("gives %.6g %s, outside %g to %g (raw 0x%0*X)", x, unit, p.min, p.max, 4*p.words, p.raw(regs))
	}
	return x, true, ""
}

// raw joins the registers to one number of 16 or 32 bits.
func (p point) raw(regs []uint16) uint64 {
	high, low := uint64(0), uint64(p.word(regs[0]))
	if p.words == 2 {
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
	mask := uint64(1)<<(16*p.words) - 1
	for _, a := range p.absent {
		if uint64(a)&mask == raw {
			return true
		}
	}
	return false
}

func (p point) number(raw uint64) float64 {
	switch p.kind {
	case "s16":
		return float64(int16(raw))
	case "s32":
		return float64(int32(raw))
	case "f32":
		return float64(math.Float32frombits(uint32(raw)))
	}
	return float64(raw)
}
