package modbus

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"ebbwatch/collector/reading"
)

// maxRead is the most registers in one answer: Modbus Application Protocol V1.1b3, 6.3.
const maxRead = 125

// Map says where each quantity lives in a device. It is the content of a map file.
type Map struct {
	Base         int           `yaml:"base" default:"0" range:"0..1" doc:"number that the manual gives the first register: 0 as on the wire, or 1"`
	MaxRegisters int           `yaml:"max_registers" default:"125" range:"1..125" doc:"most registers that the device gives in one answer"`
	Forbidden    []string      `yaml:"forbidden" doc:"addresses that must not be read, not even on the way: 60 or 60..69"`
	Pause        time.Duration `yaml:"pause" default:"0s" range:"0s..5s" doc:"silence that the device needs between two questions"`
	Identity     []Identity    `yaml:"identity" doc:"registers that must stay the same whenever the port was opened again"`
	Registers    []Register    `yaml:"registers" need:"true" doc:"where each quantity lives"`
}

// Identity is a run of registers that tells one device from another, such as a serial
// number.
type Identity struct {
	Table   string  `yaml:"table" default:"holding" oneof:"holding input" doc:"holding (function 03) or input (function 04)"`
	Address int     `yaml:"address" need:"true" doc:"address of the first register, counted from base"`
	Count   int     `yaml:"count" default:"1" range:"1..125" doc:"number of registers"`
	Expect  []int64 `yaml:"expect" doc:"what they must hold; without it, what they held at first"`
}

// Register is one quantity in a device.
type Register struct {
	Quantity string            `yaml:"quantity" need:"true" doc:"which quantity, such as battery_volts"`
	Table    string            `yaml:"table" default:"holding" oneof:"holding input" doc:"holding (function 03) or input (function 04)"`
	Address  int               `yaml:"address" need:"true" doc:"address of the (first) register, counted from base"`
	Type     string            `yaml:"type" default:"u16" oneof:"u16 s16 u32 s32 f32" doc:"how the bits are a number"`
	Words    string            `yaml:"words" default:"high_first" oneof:"high_first low_first" doc:"order of the two registers of 32 bits"`
	Bytes    string            `yaml:"bytes" default:"high_first" oneof:"high_first low_first" doc:"order of the two bytes of a register"`
	Scale    float64           `yaml:"scale" default:"1" doc:"factor from the raw number to the unit of the quantity; negative turns the sign round"`
	Offset   float64           `yaml:"offset" default:"0" doc:"added after scaling, in the unit of the quantity"`
	Bits     string            `yaml:"bits" doc:"only these bits of the raw number: 3, or 4..7; bit 0 is the lowest"`
	Values   map[string]string `yaml:"values" doc:"names for raw numbers, for charge_state and load_on"`
	Absent   []int64           `yaml:"absent" doc:"raw numbers that mean: not measured"`
	Min      *float64          `yaml:"min" doc:"least value that is possible here, in the unit of the quantity"`
	Max      *float64          `yaml:"max" doc:"greatest value that is possible here, in the unit of the quantity"`
}

// Check reports what fits no device.
func (m *Map) Check(problem func(key, what string)) { m.compile(problem) }

// Doubt finds numbers that count registers as 30001 or 40001 and up, by the table that they stand
// in: common practice on data sheets, where the address on the wire is told by its last digits.
func (m *Map) Doubt(doubt func(key, what string)) {
	for i, r := range m.Registers {
		first := r.Address / 10000 * 10000
		if m.Base <= 1 && (first == 30000 || first == 40000) && r.Address > first {
			doubt(fmt.Sprintf("registers[%d].address", i), fmt.Sprintf("%d is most likely a number of a data sheet, not an address: then base is %d and the table %s",
				r.Address, first+1, map[int]string{30000: "input", 40000: "holding"}[first]))
		}
	}
}

// layout is a map made ready to read.
type layout struct {
	points    []point
	identity  []identity
	forbidden []span
	limit     int
	pause     time.Duration
	base      int
}

type identity struct {
	table  Table
	addr   uint16
	count  int
	expect []uint16
}

// span is a run of addresses on the wire: from, and one past the end.
type span struct{ from, to int }

func (s span) has(o span) bool      { return s.from <= o.from && o.to <= s.to }
func (s span) overlaps(o span) bool { return s.from < o.to && o.from < s.to }

// compile turns the map into a layout and reports everything that is wrong with it.
func (m *Map) compile(problem func(key, what string)) layout {
	l := layout{limit: m.MaxRegisters, pause: m.Pause, base: m.Base}
	if l.limit == 0 {
		l.limit = maxRead
	}
	if len(m.Registers) == 0 {
		problem("registers", "names no register")
	}
	for i, text := range m.Forbidden {
		from, to, err := parseRange(text)
		if err != nil || from < m.Base || to > 65535+m.Base {
			problem(fmt.Sprintf("forbidden[%d]", i), fmt.Sprintf("cannot be an address or a range such as 60..69: %q", text))
			continue
		}
		l.forbidden = append(l.forbidden, span{from - m.Base, to - m.Base + 1})
	}
	m.compileIdentity(&l, problem)
	m.compilePoints(&l, problem)
	return l
}

func (m *Map) compileIdentity(l *layout, problem func(key, what string)) {
	for i, id := range m.Identity {
		key := fmt.Sprintf("identity[%d]", i)
		count := max(id.Count, 1)
		at := id.Address - m.Base
		if at < 0 || at+count > 65536 {
			problem(key+".address", outside(id.Address, m.Base, count))
			continue
		}
		if count > l.limit {
			problem(key+".count", fmt.Sprintf("is more than the %d registers of one answer", l.limit))
			continue
		}
		if len(id.Expect) > 0 && len(id.Expect) != count {
			problem(key+".expect", fmt.Sprintf("has %d numbers for %d registers", len(id.Expect), count))
			continue
		}
		expect := make([]uint16, len(id.Expect))
		for k, x := range id.Expect {
			expect[k] = uint16(x)
		}
		l.identity = append(l.identity, identity{parseTable(id.Table), uint16(at), count, expect})
	}
}

func (m *Map) compilePoints(l *layout, problem func(key, what string)) {
	seen := map[reading.Quantity]int{}
	for i := range m.Registers {
		key := func(k string) string { return fmt.Sprintf("registers[%d].%s", i, k) }
		bad := false
		p := m.Registers[i].point(m.Base, func(k, what string) { bad = true; problem(key(k), what) })
		if bad {
			continue
		}
		if first, twice := seen[p.quantity]; twice {
			problem(key("quantity"), fmt.Sprintf("is already register %d of this map: %s", first, p.quantity))
			continue
		}
		seen[p.quantity] = p.shown
		if p.words > l.limit {
			problem("max_registers", fmt.Sprintf("is less than the %d registers of %s", p.words, p.quantity))
			continue
		}
		for _, f := range l.forbidden {
			if f.overlaps(p.span()) {
				problem(key("address"), fmt.Sprintf("is forbidden in this map: %d", p.shown))
			}
		}
		l.points = append(l.points, p)
	}
}

// outside says that a run of registers cannot start at an address, and where it can.
func outside(address, base, count int) string {
	return fmt.Sprintf("%d is outside %d..%d", address, base, 65536-count+base)
}

// point checks one register and makes it ready to read.
func (r *Register) point(base int, problem func(key, what string)) point {
	p := point{
		table: parseTable(r.Table), addr: uint16(r.Address - base), shown: r.Address,
		kind: r.Type, words: 1, lowWord: r.Words == "low_first", lowByte: r.Bytes == "low_first",
		scale: r.Scale, offset: r.Offset, absent: r.Absent,
	}
	q, known := reading.ParseQuantity(r.Quantity)
	if !known {
		problem("quantity", reading.NotAQuantity(r.Quantity))
		return p
	}
	p.quantity = q
	if p.kind == "" {
		p.kind = "u16"
	}
	if strings.HasSuffix(p.kind, "32") {
		p.words = 2
	}
	if at := r.Address - base; at < 0 || at+p.words > 65536 {
		problem("address", outside(r.Address, base, p.words))
	}
	if p.scale == 0 {
		p.scale = 1
	}
	r.limits(&p, problem)
	r.bitField(&p, problem)
	r.names(&p, problem)
	return p
}

func (r *Register) limits(p *point, problem func(key, what string)) {
	info := reading.Quantities()[p.quantity]
	p.min, p.max = info.Min, info.Max
	if r.Min != nil {
		p.min = *r.Min
	}
	if r.Max != nil {
		p.max = *r.Max
	}
	if p.min > p.max || math.IsNaN(p.min) || math.IsNaN(p.max) {
		problem("max", fmt.Sprintf("is below min: %g", p.max))
	}
	if math.IsInf(p.scale, 0) || math.IsNaN(p.scale) {
		problem("scale", "must be a finite number")
	}
	if p.scale == 0 {
		problem("scale", "makes every reading 0")
	}
	if math.IsInf(p.offset, 0) || math.IsNaN(p.offset) {
		problem("offset", "must be a finite number")
	}
}

func (r *Register) bitField(p *point, problem func(key, what string)) {
	if r.Bits == "" {
		return
	}
	low, high, err := parseRange(r.Bits)
	switch {
	case err != nil || low < 0 || high < low || high >= 16*p.words:
		problem("bits", fmt.Sprintf("cannot be bits of %s: %q", p.kind, r.Bits))
	case p.kind[0] != 'u':
		problem("bits", fmt.Sprintf("go with u16 and u32, not with %s", p.kind))
	default:
		p.field, p.bitLow, p.bitMask = true, low, 1<<(high-low+1)-1
	}
}

func (r *Register) names(p *point, problem func(key, what string)) {
	if len(r.Values) == 0 {
		if p.quantity == reading.ChargeStage {
			problem("values", "is needed to read charge_state: which raw number is bulk, which float")
		}
		return
	}
	p.values = map[uint64]float64{}
	for raw, name := range r.Values {
		n, err := strconv.ParseUint(raw, 0, 32)
		x, known := reading.ParseState(p.quantity, name)
		switch {
		case err != nil:
			problem("values", fmt.Sprintf("cannot be a raw number: %q", raw))
		case !known:
			problem("values", fmt.Sprintf("is not a state of %s: %q", p.quantity, name))
		default:
			p.values[n] = x
		}
	}
}

// parseRange reads 60, 0x3C or 60..69, both ends counted.
func parseRange(text string) (from, to int, err error) {
	first, last, several := strings.Cut(text, "..")
	if !several {
		last = first
	}
	a, err := strconv.ParseUint(strings.TrimSpace(first), 0, 20)
	if err != nil {
		return 0, 0, fmt.Errorf("cannot read the number %q: %w", first, err)
	}
	b, err := strconv.ParseUint(strings.TrimSpace(last), 0, 20)
	if err != nil {
		return 0, 0, fmt.Errorf("cannot read the number %q: %w", last, err)
	}
	if b < a {
		return 0, 0, fmt.Errorf("cannot read the range %q: it ends before it begins", text)
	}
	return int(a), int(b), nil
}

func parseTable(name string) Table {
	if name == "input" {
		return Input
	}
	return Holding
}
