package modbus

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"ebbwatch/collector/reading"
)

// maxRead is the most registers in one answer: Modbus Application Protocol V1.1b3, 6.3.
const maxRead = 125

// Map says where each quantity lives in a device. It is the content of a map file.
type Map struct {
	Addresses    string        `yaml:"addresses" oneof:"wire numbered" doc:"wire: as on the wire, counted from base; numbered: 40001 is holding register 0, 30001 input register 0, 10001 discrete input 0, 1 coil 0. It must be said where an address could be either"`
	Base         int           `yaml:"base" default:"0" range:"0..1" doc:"number that the manual gives the first register: 0 as on the wire, or 1"`
	MaxRegisters int           `yaml:"max_registers" default:"125" range:"1..125" doc:"most registers that the device gives in one answer"`
	Forbidden    []string      `yaml:"forbidden" doc:"addresses that must not be read, not even on the way: 60 or 60..69"`
	Blocks       []Block       `yaml:"blocks" doc:"the only questions that the device answers, each as a whole; without any it answers to every run of registers"`
	Pause        time.Duration `yaml:"pause" default:"0s" range:"0s..5s" doc:"silence that the device needs between two questions"`
	Identity     []Identity    `yaml:"identity" doc:"registers that must stay the same whenever the port was opened again"`
	Registers    []Register    `yaml:"registers" need:"true" doc:"where each quantity lives"`
}

// Block is a run of registers that the device gives as a whole or not at all.
type Block struct {
	Table   string `yaml:"table" default:"holding" oneof:"holding input coil discrete" doc:"holding (function 03), input (04), coil (01) or discrete (02)"`
	Address int    `yaml:"address" need:"true" doc:"address of the first register"`
	Count   int    `yaml:"count" need:"true" range:"1..125" doc:"number of registers"`
}

// Identity is a run of registers that tells one device from another, such as a serial
// number.
type Identity struct {
	Table   string  `yaml:"table" default:"holding" oneof:"holding input" doc:"holding (function 03) or input (function 04)"`
	Address int     `yaml:"address" need:"true" doc:"address of the first register, counted from base"`
	Count   int     `yaml:"count" default:"1" range:"1..125" doc:"number of registers"`
	Expect  []int64 `yaml:"expect" doc:"what they must hold; without it, what they held at first"`
	Text    string  `yaml:"text" doc:"the text that they must hold, two characters a register"`
}

// Register is one quantity in a device.
type Register struct {
	Quantity string            `yaml:"quantity" need:"true" doc:"which quantity, such as battery_volts"`
	Table    string            `yaml:"table" default:"holding" oneof:"holding input coil discrete" doc:"holding (function 03), input (04), coil (01) or discrete (02)"`
	Address  int               `yaml:"address" need:"true" doc:"address of the (first) register, counted from base"`
	Type     string            `yaml:"type" default:"u16" oneof:"u8 s8 u16 s16 u32 s32 f32 bcd16 bcd32 dec32" doc:"how the bits are a number; u8 and s8 are the low byte, bcd has a decimal digit in four bits, dec32 is two registers of four digits each"`
	Low      *int              `yaml:"low_address" doc:"address of the low half of 32 bits, where it does not follow the high half"`
	Minus    *int              `yaml:"minus_address" doc:"a register of the same type whose number is taken off: two one-way registers make one current"`
	Sign     *Sign             `yaml:"sign" doc:"bits that say that the number is negative"`
	Exponent *int              `yaml:"exponent_address" doc:"a register that holds the power of ten to scale by"`
	Words    string            `yaml:"words" default:"high_first" oneof:"high_first low_first" doc:"order of the two registers of 32 bits"`
	Bytes    string            `yaml:"bytes" default:"high_first" oneof:"high_first low_first" doc:"order of the two bytes of a register"`
	Scale    float64           `yaml:"scale" default:"1" doc:"factor from the raw number to the unit of the quantity; negative turns the sign round"`
	Offset   float64           `yaml:"offset" default:"0" doc:"added after scaling, in the unit of the quantity"`
	Bits     string            `yaml:"bits" doc:"only these bits of the raw number: 3, or 4..7; bit 0 is the lowest"`
	Values   map[string]string `yaml:"values" doc:"names for raw numbers, for charge_state and load_on"`
	Absent   []int64           `yaml:"absent" doc:"raw numbers that mean: not measured; without any, all bits set and the greatest and least signed number"`
	Min      *float64          `yaml:"min" doc:"least value that is possible here, in the unit of the quantity"`
	Every    time.Duration     `yaml:"every" default:"0s" range:"0s..1h" doc:"asked for no oftener than this, where it changes slowly, such as a temperature; 0s: at each poll"`
	Max      *float64          `yaml:"max" doc:"greatest value that is possible here, in the unit of the quantity"`
}

// Sign says by which bits a number is negative.
type Sign struct {
	Address *int   `yaml:"address" doc:"the register that holds the bits; without it, the one of the number itself"`
	Bits    string `yaml:"bits" need:"true" doc:"the bits: 15, or 0..3"`
	When    int64  `yaml:"when" default:"1" doc:"what they hold when the number is negative"`
}

// Check reports what fits no device.
func (m *Map) Check(problem func(key, what string)) { m.compile(problem) }

// layout is a map made ready to read.
type layout struct {
	points    []point
	identity  []identity
	whole     []run
	forbidden []span
	limit     int
	pause     time.Duration
	base      int
	numbered  bool
}

// slow tells whether some registers are asked for more seldom than the others.
func (l layout) slow() bool {
	return slices.ContainsFunc(l.points, func(p point) bool { return p.every > 0 })
}

type identity struct {
	table  Table
	addr   uint16
	count  int
	expect []uint16
	text   string
}

// span is a run of addresses on the wire: from, and one past the end.
type span struct{ from, to int }

func (s span) has(o span) bool      { return s.from <= o.from && o.to <= s.to }
func (s span) overlaps(o span) bool { return s.from < o.to && o.from < s.to }

// compile turns the map into a layout and reports everything that is wrong with it.
func (m *Map) compile(problem func(key, what string)) layout {
	l := layout{limit: m.MaxRegisters, pause: m.Pause, base: m.Base, numbered: m.Addresses == "numbered"}
	if l.limit == 0 {
		l.limit = maxRead
	}
	if len(m.Registers) == 0 {
		problem("registers", "names no register")
	}
	m.ambiguous(problem)
	for i, text := range m.Forbidden {
		from, to, err := parseRange(text)
		_, first, what1 := m.locate(from, "", 1)
		_, last, what2 := m.locate(to, "", 1)
		if err != nil || what1 != "" || what2 != "" {
			problem(fmt.Sprintf("forbidden[%d]", i), fmt.Sprintf("cannot be an address or a range such as 60..69: %q", text))
			continue
		}
		l.forbidden = append(l.forbidden, span{first, last + 1})
	}
	for i, b := range m.Blocks {
		t, at, what := m.locate(b.Address, b.Table, b.Count)
		if what != "" {
			problem(fmt.Sprintf("blocks[%d].address", i), what)
			continue
		}
		l.whole = append(l.whole, run{t, span{at, at + b.Count}})
	}
	m.compileIdentity(&l, problem)
	m.compilePoints(&l, problem)
	return l
}

// ambiguous asks which numbering is meant where an address could be either.
func (m *Map) ambiguous(problem func(key, what string)) {
	for _, r := range m.Registers {
		if kind := r.Address / 10000; m.Addresses == "" && (kind == 3 || kind == 4) && r.Address%10000 > 0 {
			t := map[int]Table{3: Input, 4: Holding}[kind]
			problem("addresses", fmt.Sprintf("must be said: %d may be counted on the wire (addresses: wire), or be %s register %d in the numbering that begins at %d0001 (addresses: numbered)",
				r.Address, t, r.Address%10000-1, kind))
			return
		}
	}
}

// locate finds the table and the address on the wire of count registers; what says why they
// cannot be.
func (m *Map) locate(address int, table string, count int) (t Table, at int, what string) {
	t, at = parseTable(table), address-m.Base
	if m.Addresses != "numbered" {
		if at < 0 || at+count > 65536 {
			what = fmt.Sprintf("%d is outside %d..%d", address, m.Base, 65536-count+m.Base)
		}
		return t, at, what
	}
	page := 10000
	if address >= 100000 {
		page = 100000
	}
	numbered, known := map[int]Table{0: Coil, 1: Discrete, 3: Input, 4: Holding}[address/page]
	at = address%page - 1
	switch {
	case !known || at < 0 || at+count > 65536:
		what = fmt.Sprintf("%d is no number of a register: those of coils begin at 1, of discrete inputs at 10001, of input registers at 30001, of holding registers at 40001", address)
	case table != "" && t != Holding && t != numbered: // holding is what stands where nothing is said
		what = fmt.Sprintf("%d is the number of a %s register, and the table is %s", address, numbered, table)
	}
	return numbered, at, what
}

func (m *Map) compileIdentity(l *layout, problem func(key, what string)) {
	for i, id := range m.Identity {
		key := fmt.Sprintf("identity[%d]", i)
		count := max(id.Count, 1)
		t, at, what := m.locate(id.Address, id.Table, count)
		switch {
		case what != "":
			problem(key+".address", what)
			continue
		case count > l.limit:
			problem(key+".count", fmt.Sprintf("is more than the %d registers of one answer", l.limit))
			continue
		case len(id.Expect) > 0 && len(id.Expect) != count:
			problem(key+".expect", fmt.Sprintf("has %d numbers for %d registers", len(id.Expect), count))
			continue
		case len(id.Text) > 2*count:
			problem(key+".text", fmt.Sprintf("has %d characters, and %d registers hold %d", len(id.Text), count, 2*count))
			continue
		}
		expect := make([]uint16, len(id.Expect))
		for k, x := range id.Expect {
			expect[k] = uint16(x)
		}
		l.identity = append(l.identity, identity{t, uint16(at), count, expect, id.Text})
	}
}

func (m *Map) compilePoints(l *layout, problem func(key, what string)) {
	seen := map[reading.Quantity]int{}
	for i := range m.Registers {
		key := func(k string) string { return fmt.Sprintf("registers[%d].%s", i, k) }
		bad := false
		p := m.point(&m.Registers[i], func(k, what string) { bad = true; problem(key(k), what) })
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
		for _, part := range p.parts() {
			l.fits(part, func(what string) { problem(key("address"), what) })
		}
		l.points = append(l.points, p)
	}
}

// fits reports a register that must not, or cannot, be read.
func (l *layout) fits(p point, problem func(what string)) {
	for _, f := range l.forbidden {
		if f.overlaps(p.span()) {
			problem(fmt.Sprintf("is forbidden in this map: %d", p.shown))
		}
	}
	inside := func(w run) bool { return w.table == p.table && w.span.has(p.span()) }
	if len(l.whole) > 0 && !slices.ContainsFunc(l.whole, inside) {
		problem(fmt.Sprintf("is in none of the blocks of this map: %d", p.shown))
	}
}

// point checks one register and makes it ready to read.
func (m *Map) point(r *Register, problem func(key, what string)) point {
	p := point{
		shown: r.Address, kind: cmp.Or(r.Type, "u16"), size: 1,
		lowWord: r.Words == "low_first", lowByte: r.Bytes == "low_first",
		scale: cmp.Or(r.Scale, 1), offset: r.Offset, absent: r.Absent,
	}
	q, known := reading.ParseQuantity(r.Quantity)
	if !known {
		problem("quantity", reading.NotAQuantity(r.Quantity))
		return p
	}
	p.quantity = q
	if strings.HasSuffix(p.kind, "32") {
		p.size = 2
	}
	if p.words = p.size; r.Low != nil {
		p.words = 1
	}
	t, at, what := m.locate(r.Address, r.Table, p.words)
	if what != "" {
		problem("address", what)
	}
	p.table, p.addr = t, uint16(at)
	p.usual = len(p.absent) == 0 && r.Bits == "" && len(r.Values) == 0 && !t.bits()
	if t.bits() && p.kind != "u16" {
		problem("type", fmt.Sprintf("cannot be %s: a %s is a single bit", p.kind, t))
	}
	if p.every = r.Every; p.every > 0 && slices.Contains([]string{"A", "W"}, reading.Quantities()[q].Unit) {
		problem("every", fmt.Sprintf("cannot go with %s: what flows is counted from poll to poll", q))
	}
	r.limits(&p, problem)
	r.bitField(&p, problem)
	r.names(&p, problem)
	m.extras(r, &p, problem)
	return p
}

// extras adds the further registers that a number is made of.
func (m *Map) extras(r *Register, p *point, problem func(key, what string)) {
	add := func(key, use string, address *int, words int) {
		if address == nil {
			return
		}
		t, at, what := m.locate(*address, r.Table, words)
		if what == "" && t != p.table {
			what = fmt.Sprintf("%d is in another table than the number: %s", *address, t)
		}
		if what != "" {
			problem(key, what)
		}
		p.more = append(p.more, extra{use: use, addr: uint16(at), words: words})
	}
	if r.Low != nil && p.size == 1 {
		problem("low_address", fmt.Sprintf("goes with 32 bits, not with %s", p.kind))
	}
	if r.Low != nil && r.Minus != nil {
		problem("minus_address", "cannot go with low_address")
	}
	if p.values != nil && (r.Minus != nil || r.Sign != nil || r.Exponent != nil) {
		problem("values", "name states, which have no sign and no scale")
	}
	add("low_address", "low", r.Low, 1)
	add("minus_address", "minus", r.Minus, p.size)
	if s := r.Sign; s != nil {
		low, high, err := parseRange(s.Bits)
		if err != nil || high > 15 {
			problem("sign.bits", fmt.Sprintf("cannot be bits of a register: %q", s.Bits))
		}
		add("sign.address", "sign", cmp.Or(s.Address, &r.Address), 1)
		e := &p.more[len(p.more)-1]
		e.bitLow, e.bitMask, e.when = low, 1<<(high-low+1)-1, uint64(s.When)
		if e.when > e.bitMask {
			problem("sign.when", fmt.Sprintf("cannot be: bits %s hold at most %d", s.Bits, e.bitMask))
		}
	}
	add("exponent_address", "exponent", r.Exponent, 1)
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
	return map[string]Table{"input": Input, "coil": Coil, "discrete": Discrete, "holding": Holding, "": Holding}[name]
}
