package textline

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"ebbwatch/collector/reading"
)

// unit turns a printed number into the unit of its quantity: x·factor + offset.
type unit struct{ factor, offset float64 }

// namedUnit is a unit as devices print it.
type namedUnit struct {
	name, of string // of: the unit of the quantities it fits
	unit     unit
}

// units lists what may be printed. Fahrenheit and kelvin are exact by definition.
func units() []namedUnit {
	return []namedUnit{
		{"V", "V", unit{1, 0}}, {"mV", "V", unit{1e-3, 0}},
		{"A", "A", unit{1, 0}}, {"mA", "A", unit{1e-3, 0}},
		{"W", "W", unit{1, 0}}, {"mW", "W", unit{1e-3, 0}}, {"kW", "W", unit{1e3, 0}},
		{"°C", "°C", unit{1, 0}}, {"C", "°C", unit{1, 0}}, {"mC", "°C", unit{1e-3, 0}},
		{"°F", "°C", unit{5.0 / 9, -160.0 / 9}}, {"F", "°C", unit{5.0 / 9, -160.0 / 9}}, {"K", "°C", unit{1, -273.15}},
		{"%", "", unit{1e-2, 0}}, {"‰", "", unit{1e-3, 0}},
	}
}

// unitOf finds a unit of a quantity; the empty name is the quantity's own unit.
func unitOf(q reading.Quantity, name string) (unit, bool) {
	if name == "" {
		return unit{1, 0}, true
	}
	for _, u := range units() {
		if u.name == name && u.of == reading.Quantities()[q].Unit && (u.of != "" || q == reading.ControllerSoC) {
			return u.unit, true
		}
	}
	return unit{}, false
}

func unitsOf(q reading.Quantity) (names []string) {
	for _, u := range units() {
		if _, ok := unitOf(q, u.name); ok {
			names = append(names, u.name)
		}
	}
	return names
}

// value reads one printed text. Known is false for a text that means: not measured.
func (f field) value(text, decimal string) (x float64, known bool, err error) {
	text = strings.TrimSpace(text)
	if slices.Contains(f.absent, text) {
		return 0, false, nil
	}
	if f.values != nil {
		x, ok := f.values[text]
		if !ok {
			return 0, false, fmt.Errorf("%v has no meaning for %q", f.quantity, text)
		}
		return x, true, nil
	}
	if f.digits == "hex" || f.digits == "signed_hex" {
		raw, err := f.hex(text)
		return raw*f.scale*f.unit.factor + f.unit.offset + f.offset, err == nil, err
	}
	number, printed := splitNumber(text, decimal)
	u, ok := f.unitPrinted(printed)
	if !ok {
		return 0, false, fmt.Errorf("%v cannot be printed as %q", f.quantity, text)
	}
	raw, err := strconv.ParseFloat(strings.Replace(number, decimal, ".", 1), 64)
	if err != nil {
		return 0, false, fmt.Errorf("%v is no number: %q", f.quantity, text)
	}
	return raw*f.scale*u.factor + u.offset + f.offset, true, nil
}

// hex reads a number of hexadecimal digits.
func (f field) hex(text string) (float64, error) {
	digits := strings.TrimPrefix(strings.TrimPrefix(text, "0x"), "0X")
	x, err := strconv.ParseUint(digits, 16, 32)
	if err != nil {
		return 0, fmt.Errorf("%v is no hexadecimal number: %q", f.quantity, text)
	}
	if bits := 4 * len(digits); f.digits == "signed_hex" && x >= 1<<(bits-1) {
		return float64(x) - math.Pow(2, float64(bits)), nil
	}
	return float64(x), nil
}

// unitPrinted is the unit of a number with this text behind it. A unit that is printed must
// be the one declared; where none is declared, the device's word counts.
func (f field) unitPrinted(printed string) (unit, bool) {
	switch {
	case printed == "" || printed == f.printed:
		return f.unit, true
	case f.printed == "":
		return unitOf(f.quantity, printed)
	}
	return unit{}, false
}

// splitNumber parts a plain decimal number, which may have an exponent, from what follows it.
// Hexadecimal, infinities and the like are no numbers here, and neither are groups of digits.
func splitNumber(text, decimal string) (number, rest string) {
	i := 0
	if i < len(text) && (text[i] == '-' || text[i] == '+') {
		i++
	}
	digits, point := 0, false
	for ; i < len(text); i++ {
		switch c := text[i]; {
		case c >= '0' && c <= '9':
			digits++
			continue
		case string(c) == decimal && !point:
			point = true
			continue
		}
		break
	}
	if digits == 0 || digits > 15 {
		return "", text
	}
	i += exponent(text[i:])
	return text[:i], strings.TrimSpace(text[i:])
}

// exponent is the length of an exponent such as e-3 at the beginning of a text.
func exponent(text string) int {
	if text == "" || text[0] != 'e' && text[0] != 'E' {
		return 0
	}
	i := 1
	if i < len(text) && (text[i] == '-' || text[i] == '+') {
		i++
	}
	first := i
	for i < len(text) && text[i] >= '0' && text[i] <= '9' {
		i++
	}
	if i == first || i > first+2 {
		return 0
	}
	return i
}
