package textline

import (
	"fmt"
	"strconv"
	"strings"

	"ebbwatch/collector/reading"
)

// Format says how a device prints. It is part of the section textline or a file of its own.
type Format struct {
	Frame     string  `yaml:"frame" default:"line" oneof:"line block enclosed" doc:"what belongs together: each line for itself, a block of lines, or what stands between the bytes STX and ETX"`
	Begin     string  `yaml:"begin" doc:"what the (first) line of a frame begins with"`
	End       string  `yaml:"end" doc:"what the last line of a block begins with; empty: an empty line ends it"`
	JSON      bool    `yaml:"json" default:"false" doc:"true: each line is a JSON object; a field is named by its key, wherever that stands, or by its whole path such as battery.volts"`
	Columns   int     `yaml:"columns" default:"0" range:"0..64" doc:"number of columns of every line; 0 when lines hold keys and values"`
	Widths    []int   `yaml:"widths" range:"1..100" doc:"the width of each column in characters, where nothing parts them"`
	Between   string  `yaml:"between" doc:"what parts columns, or one pair of key and value from the next; tab and space by name"`
	Separator string  `yaml:"separator" default:"=" doc:"what parts a key from its value; tab and space by name"`
	Decimal   string  `yaml:"decimal" default:"." oneof:". ," doc:"decimal sign"`
	Sum       Sum     `yaml:"check" doc:"how damaged frames are recognised"`
	Fields    []Field `yaml:"fields" need:"true" doc:"key, or number of the column from 1, to quantity"`
}

// Sum says how a frame's check is made and where it stands.
type Sum struct {
	Kind    string `yaml:"kind" default:"none" oneof:"none sum8 sum16 zero8 ones8 xor8 crc8 crc16_modbus crc16_ccitt" doc:"sum of the bytes, of 8 or 16 bits; sum that makes the whole zero; ones' complement of the sum; exclusive or; CRC"`
	Written string `yaml:"written" default:"hex" oneof:"hex decimal byte" doc:"how the check is written; a byte stands for itself"`
	Mark    string `yaml:"mark" doc:"what stands between the checked part of a line and its check"`
	Key     string `yaml:"key" doc:"key of the line of a block that holds the check; all of the block before the check is checked, and the block ends there"`
	Bare    bool   `yaml:"bare" default:"false" doc:"true when begin is not part of what is checked"`
}

// Field is one number that the device prints.
type Field struct {
	Key      string            `yaml:",key"`
	Plain    string            `yaml:",value"`
	Quantity string            `yaml:"quantity" doc:"which quantity, such as battery_volts"`
	Unit     string            `yaml:"unit" doc:"unit that the device prints in, such as mV; without it the unit of the quantity"`
	Digits   string            `yaml:"digits" default:"decimal" oneof:"decimal hex signed_hex" doc:"how the number is written; signed_hex has as many bits as its digits, the first one the sign"`
	Scale    float64           `yaml:"scale" default:"1" doc:"factor, applied before the unit; negative turns the sign round"`
	Offset   float64           `yaml:"offset" default:"0" doc:"added last, in the unit of the quantity"`
	Values   map[string]string `yaml:"values" doc:"names for printed texts, for charge_state and load_on"`
	Absent   []string          `yaml:"absent" doc:"texts that mean: not measured"`
}

// Check reports everything that is wrong with a format.
func (f *Format) Check(problem func(key, what string)) { f.compile(problem) }

// layout is a format made ready to parse with.
type layout struct {
	block      bool
	enclosed   bool
	json       bool
	begin, end []byte
	endEmpty   bool // an empty line ends a block
	widths     []int
	columns    int
	between    string
	separator  string
	decimal    string
	check      Sum
	sum        func([]byte) uint16
	checkLine  []byte // key and separator of the line that holds the check of a block
	fields     map[string]field
}

// field is a Field made ready.
type field struct {
	quantity reading.Quantity
	unit     unit   // what it is printed in
	printed  string // the unit as declared; a printed unit must be the same
	scale    float64
	offset   float64
	values   map[string]float64
	absent   []string
	digits   string // decimal, hex or signed_hex
}

func (f *Format) compile(problem func(key, what string)) layout {
	l := layout{
		block: f.Frame == "block", enclosed: f.Frame == "enclosed", json: f.JSON,
		begin: []byte(f.Begin), end: []byte(f.End), columns: f.Columns, widths: f.Widths,
		between: named(f.Between), separator: named(f.Separator), decimal: f.Decimal,
		check: f.Sum, sum: sums(f.Sum.Kind), fields: map[string]field{},
	}
	if f.End == "empty" {
		l.end, l.endEmpty = nil, true
	}
	if len(f.Widths) > 0 {
		l.columns = len(f.Widths)
	}
	f.checkFrames(&l, problem)
	f.checkContent(problem)
	f.checkSum(problem)
	if f.Sum.Key != "" {
		l.checkLine = []byte(f.Sum.Key + l.separator)
	}
	seen := map[reading.Quantity]string{}
	for _, x := range f.Fields {
		key := "fields." + x.Key
		got, ok := x.compile(func(k, what string) { problem(strings.TrimSuffix(key+"."+k, "."), what) })
		if n, err := strconv.Atoi(x.Key); l.columns > 0 && (err != nil || n < 1 || n > l.columns) {
			problem(key, fmt.Sprintf("is not a column from 1 to %d", l.columns))
		}
		if other, twice := seen[got.quantity]; ok && twice {
			problem(key, fmt.Sprintf("%v is already read from %s", got.quantity, other))
		}
		seen[got.quantity] = x.Key
		l.fields[x.Key] = got
	}
	return l
}

func (f *Format) checkFrames(l *layout, problem func(key, what string)) {
	if l.block && f.Begin == "" && f.End == "" && f.Sum.Key == "" {
		problem("frame", "a block needs begin, end or the key of its check, else nobody knows where it ends")
	}
	if !l.block && f.End != "" {
		problem("end", "belongs to blocks: a line ends with itself, and what is enclosed with ETX")
	}
	if f.Columns > 0 && f.Between == "" {
		problem("between", "is needed with columns")
	}
	if l.columns == 0 && !f.JSON && f.Separator == "" {
		problem("separator", "is needed: it parts a key from its value")
	}
	if l.block && f.Columns > 0 {
		problem("columns", "cannot be used with blocks")
	}
	if f.Decimal == "," && l.between == "," {
		problem("decimal", "cannot be the same as between")
	}
	if len(f.Fields) == 0 {
		problem("fields", "names nothing to read")
	}
}

// checkContent reports ways to write a line that cannot go together.
func (f *Format) checkContent(problem func(key, what string)) {
	switch {
	case f.JSON && (f.Columns > 0 || len(f.Widths) > 0 || f.Between != ""):
		problem("json", "cannot go with columns, widths and between: an object names its fields")
	case f.JSON && f.Frame == "block":
		problem("json", "cannot be used with blocks: an object is one line")
	case f.JSON && f.Decimal == ",":
		problem("decimal", "is a point in JSON")
	case len(f.Widths) > 0 && (f.Columns > 0 || f.Between != ""):
		problem("widths", "cannot go with columns and between: they say where columns end")
	case len(f.Widths) > 0 && f.Frame == "block":
		problem("widths", "cannot be used with blocks")
	}
}

func (f *Format) checkSum(problem func(key, what string)) {
	c := f.Sum
	switch {
	case c.Kind == "none" || c.Kind == "":
		if c.Mark != "" || c.Key != "" {
			problem("check", "has a place but no kind")
		}
	case f.Frame == "block" && c.Key == "":
		problem("check.key", "is needed: the key of the line that holds the check")
	case f.Frame != "block" && c.Mark == "":
		problem("check.mark", "is needed: what stands before the check")
	case f.Frame == "block" && c.Mark != "":
		problem("check.mark", "belongs to lines; a block has key")
	case f.Frame != "block" && c.Key != "":
		problem("check.key", "belongs to blocks; a line has mark")
	case f.Frame == "block" && f.End != "":
		problem("end", "cannot stand beside check.key, which ends the block")
	case c.Written == "byte" && strings.Contains(c.Kind, "16"):
		problem("check.written", fmt.Sprintf("%s has 16 bits, which is not one byte", c.Kind))
	case c.Written == "byte" && f.Frame != "block":
		problem("check.written", "byte belongs to blocks: in a line it could end the line")
	}
}

func (x *Field) compile(problem func(key, what string)) (field, bool) {
	name := x.Quantity
	if name == "" {
		name = x.Plain
	}
	q, ok := reading.ParseQuantity(name)
	if !ok || q >= reading.NumSite {
		problem("", reading.NotAQuantity(name))
		return field{}, false
	}
	out := field{quantity: q, printed: x.Unit, scale: x.Scale, offset: x.Offset, absent: x.Absent, digits: x.Digits}
	if out.scale == 0 {
		problem("scale", "is zero")
	}
	if out.unit, ok = unitOf(q, x.Unit); !ok {
		problem("unit", fmt.Sprintf("%q is not a unit of %v; known: %s", x.Unit, q, strings.Join(unitsOf(q), " ")))
	}
	if len(x.Values) > 0 {
		out.values = map[string]float64{}
	}
	for text, meaning := range x.Values {
		v, ok := meaningOf(q, meaning)
		if !ok {
			problem("values", fmt.Sprintf("%q is not a value of %v", meaning, q))
		}
		out.values[text] = v
	}
	if q == reading.ChargeStage && len(x.Values) == 0 {
		problem("values", "is needed: which printed text means which charge_state")
	}
	return out, true
}

// meaningOf is what a name stands for: a state, or a number.
func meaningOf(q reading.Quantity, name string) (float64, bool) {
	if q == reading.ChargeStage || q == reading.LoadOn {
		return reading.ParseState(q, name)
	}
	x, err := strconv.ParseFloat(name, 64)
	return x, err == nil
}

// named gives the characters that are awkward to write in YAML by name.
func named(text string) string {
	switch text {
	case "tab":
		return "\t"
	case "space":
		return " "
	}
	return text
}
