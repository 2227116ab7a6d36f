package survey

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"

	"ebbwatch/collector/reading"
)

// Typed is one number as the owner read it.
type Typed struct {
	X     float64 // in the quantity's unit
	Digit float64 // what one step of the last digit is worth
}

// ParseTyped reads what an owner types: "battery 13.26 V 2.1 A, panel 17.9 V, load 1.4 A",
// or the quantities by their names: "battery_volts 13.26". A comma between two digits is a
// decimal comma.
func ParseTyped(text string) (map[reading.Quantity]Typed, error) {
	text = decimalComma(text)
	out := map[reading.Quantity]Typed{}
	thing := ""
	for _, w := range words(text) {
		switch {
		case !w.number:
			if w.text != "v" && w.text != "a" && thing != "" && filler(w.text) {
				continue
			}
			thing = w.text
		case thing == "":
			return nil, fmt.Errorf("cannot tell what %s is of: say battery, panel, load, charger, air or controller first", w.text)
		default:
			q, typed, err := place(thing, w)
			if err != nil {
				return nil, err
			}
			if _, twice := out[q]; twice {
				return nil, fmt.Errorf("cannot take two numbers for %s", q)
			}
			out[q] = typed
		}
	}
	if len(out) == 0 {
		return nil, fmt.Errorf("cannot find a number in %q", text)
	}
	return out, nil
}

type word struct {
	text   string
	number bool
	unit   string // what follows the number at once, or after a blank
}

func decimalComma(text string) string {
	b := []byte(text)
	digit := func(i int) bool { return i >= 0 && i < len(b) && b[i] >= '0' && b[i] <= '9' }
	for i := range b {
		if b[i] == ',' && digit(i-1) && digit(i+1) {
			b[i] = '.'
		}
	}
	return string(b)
}

// words splits into names and numbers with their units.
func words(text string) []word {
	pattern := regexp.MustCompile(`([-+−]?\d+(?:\.\d+)?)\s*(volts?|amps?|amperes?|watts?|[vVaAwWcC%]|°\s*[cC])?(?:[^\w]|$)|([A-Za-z_]+)`)
	var out []word
	for _, m := range pattern.FindAllStringSubmatch(text, -1) {
		if m[3] != "" {
			out = append(out, word{text: strings.ToLower(m[3])})
			continue
		}
		unit := strings.ToLower(strings.TrimLeft(m[2], "° "))
		out = append(out, word{text: strings.Replace(m[1], "−", "-", 1), number: true, unit: unit[:min(1, len(unit))]})
	}
	return out
}

// filler words may stand between the thing and its number.
func filler(w string) bool {
	switch w {
	case "is", "at", "and", "now", "voltage", "current", "power", "temperature", "temp", "shows", "of":
		return true
	}
	return false
}

// place finds the quantity of a number, by what it is of and its unit.
func place(thing string, w word) (reading.Quantity, Typed, error) {
	x, err := strconv.ParseFloat(w.text, 64)
	if err != nil {
		return 0, Typed{}, fmt.Errorf("cannot read the number %s: %w", w.text, err)
	}
	t := Typed{X: x, Digit: digit(w.text)}
	q, known := reading.ParseQuantity(thing)
	if !known {
		q, known = byUnit(thing, w.unit)
	}
	if !known || !sought(q) {
		return 0, Typed{}, fmt.Errorf("cannot tell which quantity %q with the unit %q is", thing+" "+w.text, w.unit)
	}
	if q == reading.ControllerSoC && w.unit == "%" {
		t.X, t.Digit = t.X/100, t.Digit/100
	}
	return q, t, nil
}

func byUnit(thing, unit string) (reading.Quantity, bool) {
	q, known := map[string]reading.Quantity{
		"battery v": reading.BatteryVolts, "battery a": reading.BatteryAmps, "battery c": reading.BatteryCelsius,
		"battery %": reading.ControllerSoC, "soc %": reading.ControllerSoC, "charge %": reading.ControllerSoC,
		"panel v": reading.PanelVolts, "panel a": reading.PanelAmps, "panel w": reading.PanelWatts,
		"pv v": reading.PanelVolts, "pv a": reading.PanelAmps, "pv w": reading.PanelWatts,
		"load v": reading.LoadVolts, "load a": reading.LoadAmps, "load w": reading.LoadWatts,
		"charger a": reading.ChargeAmps, "charge a": reading.ChargeAmps, "charging a": reading.ChargeAmps,
		"air c": reading.AirCelsius, "outside c": reading.AirCelsius,
		"controller c": reading.ControllerCelsius, "charger c": reading.ControllerCelsius,
	}[thing+" "+unit]
	return q, known
}

// sought tells whether the finder looks for a quantity: those that are a number on a scale.
func sought(q reading.Quantity) bool {
	return q < reading.NumSite && q != reading.LoadOn && q != reading.ChargeStage
}

// digit is what one step of a number's last digit is worth.
func digit(text string) float64 {
	if _, after, some := strings.Cut(text, "."); some {
		return math.Pow10(-len(after))
	}
	return 1
}
