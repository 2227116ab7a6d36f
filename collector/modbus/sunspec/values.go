package sunspec

import (
	"context"
	"errors"
	"math"

	"ebbwatch/collector"
	"ebbwatch/collector/reading"
)

// Current says which way a device counts battery current as positive.
type Current int

// The ways to count.
const (
	Unknown Current = 0
	Into    Current = 1
	OutOf   Current = -1
)

// Reader reads one device again and again.
type Reader struct {
	device  *Device
	current Current // as set
	into    bool    // met with this way of counting
	outOf   bool
	fixed   bool
}

// NewReader makes a reader. current is what the owner has set, or [Unknown].
func NewReader(current Current) *Reader {
	return &Reader{current: current, fixed: current != Unknown}
}

// Device is what was found, or nil.
func (r *Reader) Device() *Device { return r.device }

// Verify finds the device, and makes sure that it is the one that it was.
func (r *Reader) Verify(ctx context.Context, read ReadFunc) error {
	d, err := Find(ctx, read)
	if err != nil {
		return err
	}
	if r.device != nil && !r.device.Same(d) {
		return collector.Errorf(collector.Foreign, "another device answers: %s instead of %s", d, r.device)
	}
	r.device = d
	return nil
}

// Read reads every model that has something for us. Values count beside an error.
func (r *Reader) Read(ctx context.Context, read ReadFunc) ([]reading.Value, error) {
	if r.device == nil {
		if err := r.Verify(ctx, read); err != nil {
			return nil, err
		}
	}
	g := gather{}
	var errs []error
	for _, m := range r.device.Models {
		take := r.taker(m.ID)
		if take == nil {
			continue
		}
		v, err := m.fetch(ctx, read)
		if errors.Is(err, errMoved) {
			return nil, errors.Join(err, r.Verify(ctx, read)) // and read by the new chain next time
		}
		if err != nil {
			errs = append(errs, err)
			if k := collector.KindOf(err); k == collector.Timeout || k == collector.Port {
				break
			}
			continue
		}
		take(&g, v)
	}
	values, refused := g.values()
	return values, errors.Join(append(errs, refused)...)
}

// taker is what takes the values out of a model; nil for one that has none for us.
func (r *Reader) taker(id uint16) func(*gather, view) {
	switch id {
	case 802:
		return r.take802
	case 803:
		return take803
	case 713, 124:
		return func(g *gather, v view) { plain(g, int(id), v) }
	case 714:
		return r.take714
	case 160:
		return take160
	case 502:
		return take502
	}
	return nil
}

// plainPoint is a point that needs no more than its scale factor.
type plainPoint struct {
	model, off, sf int
	quantity       reading.Quantity
	share          float64 // of the unit that the model gives it in: 0.01 for percent
}

// plainPoints are of the battery's base model, storage capacity, and the storage of an inverter.
func plainPoints() []plainPoint {
	return []plainPoint{
		{802, 34, 59, reading.BatteryVolts, 1}, {802, 11, 56, reading.ControllerSoC, 0.01},
		{713, 4, 8, reading.ControllerSoC, 0.01},
		{124, 8, 22, reading.ControllerSoC, 0.01}, {124, 10, 24, reading.BatteryVolts, 1},
	}
}

// plain takes the plain points of a model.
func plain(g *gather, model int, v view) {
	for _, p := range plainPoints() {
		if x, known := v.unsigned(p.off, p.sf); known && p.model == model {
			g.put(p.quantity, model, x*p.share)
		}
	}
}

// u16, s16 and scale give the number at an offset, unless it is not implemented. A point
// whose scale factor is not implemented cannot be used: the standard's text does not say
// what it would mean.
func (v view) u16(off int) (float64, bool) {
	if off >= len(v) || v[off] == 0xFFFF {
		return 0, false
	}
	return float64(v[off]), true
}

func (v view) s16(off int) (float64, bool) {
	if off >= len(v) || v[off] == 0x8000 {
		return 0, false
	}
	return float64(int16(v[off])), true
}

func (v view) scale(off int) (float64, bool) {
	x, known := v.s16(off)
	if !known || x < -10 || x > 10 {
		return 0, false
	}
	return math.Pow(10, x), true
}

// unsigned and signed are a point with the scale factor at sf.
func (v view) unsigned(off, sf int) (float64, bool) {
	x, known := v.u16(off)
	s, scaled := v.scale(sf)
	return x * s, known && scaled
}

func (v view) signed(off, sf int) (float64, bool) {
	x, known := v.s16(off)
	s, scaled := v.scale(sf)
	return x * s, known && scaled
}

// Charging states of model 802 and 124, as the published model numbers them (from memory:
// the stored table has no enumerations).
const (
	discharging = 3
	charging    = 4
)

// Battery base model.
func (r *Reader) take802(g *gather, v view) {
	plain(g, 802, v)
	if x, known := v.signed(44, 61); known {
		state, _ := v.u16(16)
		g.amps(802, x, r.direction(x, int(state)))
	}
}

// direction is the factor that makes a current positive into the battery, 0 if it is not
// known. While the battery says that it is charging or discharging, it tells by itself; a
// device that was met counting both ways gives no sign at all.
func (r *Reader) direction(x float64, state int) float64 {
	if r.fixed {
		return float64(r.current)
	}
	if x == 0 {
		return 1
	}
	want := 0.0
	switch state {
	case charging:
		want = 1
	case discharging:
		want = -1
	}
	if want != 0 {
		way := want * math.Copysign(1, x)
		if math.Abs(x) >= 0.2 { // less may be the error of a sensor at rest
			r.note(Current(way))
		}
		return way
	}
	switch {
	case r.into && !r.outOf:
		return float64(Into)
	case r.outOf && !r.into:
		return float64(OutOf)
	}
	return 0
}

func (r *Reader) note(way Current) {
	r.into = r.into || way == Into
	r.outOf = r.outOf || way == OutOf
}

// Lithium-ion bank: the mean temperature of its modules. It was once published unsigned
// and without a scale factor; it is believed only between the least and the greatest.
func take803(g *gather, v view) {
	high, known1 := v.signed(4, 23)
	low, known2 := v.signed(7, 23)
	mean, known3 := v.signed(10, 23)
	if known1 && known2 && known3 && v[10] != 0xFFFF && low <= mean && mean <= high {
		g.put(reading.BatteryCelsius, 803, mean)
	}
}

// Types of ports in model 714, as the published model numbers them (from memory).
const (
	portPanel   = 0
	portStorage = 1
)

// DC ports: panels and batteries.
func (r *Reader) take714(g *gather, v view) {
	const first, size = 20, 25
	n := (len(v) - first) / size
	if said, known := v.u16(4); known {
		n = min(n, int(said))
	}
	var panels, batteries inputs
	for i := range n {
		p := v[first+i*size:]
		in := input{}
		in.volts, in.hasVolts = join(p, 11, v, 16, view.u16)
		in.amps, in.hasAmps = join(p, 10, v, 15, view.s16)
		in.watts, in.hasWatts = join(p, 12, v, 17, view.s16)
		switch kind, known := p.u16(0); {
		case known && kind == portPanel:
			panels.add(in)
		case known && kind == portStorage:
			batteries.add(in)
		}
	}
	panels.put(g, 714)
	if x, known := batteries.volts(); known {
		g.put(reading.BatteryVolts, 714, x)
	}
	if x, known := batteries.sum(input.current); known {
		g.amps(714, x, r.direction(x, 0))
	}
}

// join scales a point of a repeating block by a scale factor of the model's fixed part.
func join(p view, off int, v view, sf int, number func(view, int) (float64, bool)) (float64, bool) {
	x, known := number(p, off)
	s, scaled := v.scale(sf)
	return x * s, known && scaled
}

// Inputs of a multiple MPPT inverter or charger.
func take160(g *gather, v view) {
	const first, size = 10, 20
	n := (len(v) - first) / size
	if said, known := v.u16(8); known {
		n = min(n, int(said))
	}
	var panels inputs
	for i := range n {
		p := v[first+i*size:]
		in := input{}
		in.amps, in.hasAmps = join(p, 9, v, 2, view.u16)
		in.volts, in.hasVolts = join(p, 10, v, 3, view.u16)
		in.watts, in.hasWatts = join(p, 11, v, 4, view.u16)
		panels.add(in)
	}
	panels.put(g, 160)
}

// A panel with electronics of its own: its input side is the panel. There is one model for
// each panel.
func take502(g *gather, v view) {
	in := input{}
	in.amps, in.hasAmps = v.signed(25, 2)
	in.volts, in.hasVolts = v.signed(26, 3)
	in.watts, in.hasWatts = v.signed(29, 4)
	g.panels502.add(in)
}
