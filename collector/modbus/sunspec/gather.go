package sunspec

import (
	"errors"

	"ebbwatch/collector"
	"ebbwatch/collector/reading"
)

// input is one DC input, port or panel.
type input struct {
	volts, amps, watts          float64
	hasVolts, hasAmps, hasWatts bool
}

// inputs are those of one kind. One that gives no number at all is not connected.
type inputs []input

func (s *inputs) add(in input) {
	if in.hasVolts || in.hasAmps || in.hasWatts {
		*s = append(*s, in)
	}
}

// volts is the voltage of the only one: several have none in common.
func (s inputs) volts() (float64, bool) {
	if len(s) != 1 {
		return 0, false
	}
	return s[0].volts, s[0].hasVolts
}

// sum adds up what all of them give: a sum with a part missing is no sum.
func (s inputs) sum(of func(input) (float64, bool)) (sum float64, known bool) {
	for _, in := range s {
		x, has := of(in)
		if !has {
			return 0, false
		}
		sum += x
	}
	return sum, len(s) > 0
}

func (in input) current() (float64, bool) { return in.amps, in.hasAmps }
func (in input) power() (float64, bool)   { return in.watts, in.hasWatts }

// put gives what panels yield.
func (s inputs) put(g *gather, model int) {
	if x, known := s.volts(); known {
		g.put(reading.PanelVolts, model, x)
	}
	if x, known := s.sum(input.current); known {
		g.put(reading.PanelAmps, model, x)
	}
	if x, known := s.sum(input.power); known {
		g.put(reading.PanelWatts, model, x)
	}
}

// gather collects values of one poll. Two models may tell of the same thing: the better one
// counts, by rank.
type gather struct {
	got       map[reading.Quantity]found
	panels502 inputs
}

type found struct {
	x       float64
	model   int
	suspect string
}

// rank orders the models that may tell of the same thing; the lowest is believed.
func rank(model int) int {
	for i, m := range [...]int{802, 803, 714, 713, 160, 502, 124} {
		if m == model {
			return i
		}
	}
	return 99
}

func (g *gather) put(q reading.Quantity, model int, x float64) {
	g.note(q, found{x: x, model: model})
}

func (g *gather) note(q reading.Quantity, f found) {
	if g.got == nil {
		g.got = map[reading.Quantity]found{}
	}
	if old, there := g.got[q]; !there || rank(f.model) < rank(old.model) {
		g.got[q] = f
	}
}

// amps notes battery current; way is the factor to positive into the battery, 0 if unknown.
func (g *gather) amps(model int, x, way float64) {
	f := found{x: x * way, model: model}
	if way == 0 {
		f.x = x
		f.suspect = "the device does not say which way its battery current counts: set battery_amps to into or out_of"
	}
	g.note(reading.BatteryAmps, f)
}

// values gives what is possible, in the order of the quantities, and refuses the rest.
func (g *gather) values() ([]reading.Value, error) {
	g.panels502.put(g, 502)
	var values []reading.Value
	var errs []error
	for i, info := range reading.Quantities() {
		q := reading.Quantity(i)
		f, there := g.got[q]
		if !there {
			continue
		}
		if !q.Possible(f.x) {
			errs = append(errs, collector.Errorf(collector.Refused, "cannot believe %s: SunSpec model %d gives %.6g %s, outside %g to %g",
				q, f.model, f.x, info.Unit, info.Min, info.Max))
			continue
		}
		values = append(values, reading.Value{Quantity: q, X: f.x, Suspect: f.suspect})
	}
	return values, errors.Join(errs...)
}
