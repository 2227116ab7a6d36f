package survey

import (
	"context"
	"errors"
	"maps"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"ebbwatch/collector"
	"ebbwatch/collector/modbus"
	"ebbwatch/collector/reading"
	"ebbwatch/collector/sim"
)

// hidden is a made-up device on a simulated node: where it keeps each quantity is drawn at
// random, among registers that mean something else.
type hidden struct {
	rng      *rand.Rand
	site     *sim.Site
	lines    map[reading.Quantity]Candidate
	decoys   []decoy
	mirror   bool // one list under both functions
	lowFirst bool // word order
	floats   bool // it likes fractions
	extremes int  // decoys of that kind so far
	ranges   []Range
	now      map[reading.Quantity]float64 // what the device measures
	past     map[reading.Quantity][2]float64
	mixed    bool
	asked    int
	shown    map[reading.Quantity]bool
	gains    [reading.NumSite]float64 // of the owner's meter
}

// decoy fills registers with something else: raw words for a moment.
type decoy struct {
	at    Address
	words func() []uint16
}

// newHidden makes the device of a seed.
func newHidden(seed uint64) *hidden { return newHiddenOf(seed, false) }

// newHiddenOf makes one that may change its word order from line to line, as none should.
func newHiddenOf(seed uint64, mixed bool) *hidden {
	rng := rand.New(rand.NewPCG(seed, 4242))
	spec := sim.RandomNode(seed)
	for q, e := range sim.UsualErrors() { // fine steps: the register's own is what shows
		e.Step, e.Gain, e.Offset = 0, spec.Sensors.Errors[q].Gain, spec.Sensors.Errors[q].Offset
		spec.Sensors.Errors[q] = e
	}
	spec.Sensors.Quantities, spec.Sensors.DropsPerDay = append(sim.ControllerQuantities(), reading.AirCelsius), 0
	spec.Start = spec.Start.AddDate(0, 7+rng.IntN(6), 0) // April to September
	for spec.Load.NightWatts < 16 {                      // the loads of a relay
		spec.Load.NightWatts, spec.Load.DayWatts = 1.5*spec.Load.NightWatts, 1.5*spec.Load.DayWatts
		spec.Panel.WattsPeak *= 1.5
	}
	spec.Battery.StartSoC, spec.MaxStep = 0.5+0.3*rng.Float64(), 5*time.Minute
	var sky []float64
	for range 60 {
		sky = append(sky, 0.4+0.6*rng.Float64())
	}
	days := sim.Story(spec.Latitude, spec.Longitude, spec.Start, sky, 2+20*rng.Float64())
	h := &hidden{rng: rng, site: sim.New(spec.Under(days)), lines: map[reading.Quantity]Candidate{}}
	h.past, h.mixed = map[reading.Quantity][2]float64{}, mixed
	h.mirror, h.lowFirst, h.floats = rng.IntN(5) == 0, rng.IntN(2) == 0, rng.IntN(6) == 0
	h.lay()
	h.pass(12 * time.Hour)
	h.owner()
	return h
}

// scale draws a scale as the makers of devices choose them: mostly decades.
func (h *hidden) scale(q reading.Quantity) float64 {
	pick := func(xs ...float64) float64 { return xs[h.rng.IntN(len(xs))] }
	odd := h.rng.IntN(20) == 0
	switch q {
	case reading.BatteryVolts, reading.LoadVolts, reading.PanelVolts:
		if odd {
			return pick(0.05, 0.02, 0.005, 1./16, 1./64)
		}
		return pick(0.1, 0.01, 0.01, 0.01, 0.01, 0.01, 0.001, 0.001)
	case reading.BatteryAmps, reading.PanelAmps, reading.ChargeAmps, reading.LoadAmps:
		if odd {
			return pick(0.02, 0.05, 0.005, 1./64, 1./128)
		}
		return pick(0.1, 0.01, 0.01, 0.01, 0.01, 0.01, 0.001, 0.001)
	case reading.PanelWatts, reading.LoadWatts:
		if odd {
			return 0.5
		}
		return pick(1, 0.1, 0.1, 0.01)
	case reading.ControllerSoC:
		return pick(0.01, 0.01, 0.001)
	}
	if odd {
		return 0.5
	}
	return pick(1, 0.1, 0.1, 0.01)
}

// line draws how a quantity is written.
func (h *hidden) line(q reading.Quantity) Candidate {
	c := Candidate{Scale: h.scale(q), LowFirst: h.lowFirst != (h.mixed && h.rng.IntN(2) == 0)}
	signed := q == reading.BatteryAmps || q == reading.BatteryCelsius || q == reading.AirCelsius || q == reading.ControllerCelsius
	switch n := h.rng.IntN(20); {
	case h.floats && n < 12:
		c.Type, c.Scale = "f32", 1
		if q == reading.ControllerSoC {
			c.Scale = 0.01
		}
	case n > 14:
		c.Type = map[bool]string{true: "s32", false: "u32"}[signed]
	default:
		c.Type = map[bool]string{true: "s16", false: "u16"}[signed]
	}
	if q == reading.BatteryAmps && h.rng.IntN(4) == 0 {
		c.Scale = -c.Scale
	}
	if signed && q != reading.BatteryAmps && h.rng.IntN(8) == 0 {
		c.Type, c.Scale, c.Offset = "u16", []float64{1, 0.1}[h.rng.IntN(2)], -40
	}
	if !c.wide() {
		c.LowFirst = false
	}
	return c
}

// lay puts the quantities and the decoys behind one another at a random base, with gaps.
func (h *hidden) lay() {
	table := []modbus.Table{modbus.Holding, modbus.Input}[h.rng.IntN(2)]
	at := h.rng.IntN(60000)
	from := at
	var order []reading.Quantity
	for q := range reading.NumSite {
		must := q == reading.BatteryVolts || q == reading.BatteryAmps
		if q == reading.PanelAmps && !h.site.Spec().Charger.MPPT {
			continue // a charger that only switches the panel on has one current, the charging one
		}
		if sought(q) && (must || h.rng.IntN(10) < 8) {
			order = append(order, q)
		}
	}
	h.rng.Shuffle(len(order), func(i, j int) { order[i], order[j] = order[j], order[i] })
	for _, q := range order {
		for h.rng.IntN(5) < 3 {
			at = h.decoyAt(table, at)
		}
		if h.rng.IntN(6) == 0 && at-from >= stride { // a hole that refuses
			h.ranges = append(h.ranges, Range{table, from, at - from})
			at += 1 + h.rng.IntN(30)
			from = at
		}
		c := h.line(q)
		c.At = Address{table, at}
		h.lines[q] = c
		at += map[bool]int{true: 2, false: 1}[c.wide()]
	}
	for at-from < stride {
		at = h.decoyAt(table, at)
	}
	h.ranges = append(h.ranges, Range{table, from, at - from})
}

// decoyAt puts something else at an address and gives the next free one.
func (h *hidden) decoyAt(table modbus.Table, at int) int {
	constant := func(x uint16) func() []uint16 { return func() []uint16 { return []uint16{x} } }
	raw := func(x float64) uint16 { return uint16(int64(math.Round(x))) }
	var words func() []uint16
	switch h.rng.IntN(11) {
	case 0, 1:
		words = constant(0)
	case 2: // settings, near to what is measured
		settings := []uint16{1440, 1420, 1380, 1350, 1260, 1160, 144, 138, 116, 14400, 13500, 12, 24, 100, 80, 200}
		words = constant(settings[h.rng.IntN(len(settings))])
	case 3:
		words = constant(uint16(h.rng.Uint32()))
	case 4: // restless
		words = func() []uint16 { return []uint16{uint16(h.rng.IntN(1500))} }
	case 5: // a clock, or a counter
		start, slow := h.rng.Uint32()>>h.rng.IntN(20), int64(1+h.rng.IntN(600))
		words = func() []uint16 {
			n := start + uint32(h.site.Now().Unix()/slow)
			return []uint16{uint16(n >> 16), uint16(n)}
		}
	case 6: // least and most since midnight, as many devices keep them
		if h.extremes++; h.extremes > 2 {
			words = constant(0)
			break
		}
		i := h.extremes - 1
		words = func() []uint16 { return []uint16{raw(h.past[reading.BatteryVolts][i] * 100)} }
	case 7: // the mean current of the last hours
		q, mean := []reading.Quantity{reading.LoadAmps, reading.PanelAmps, reading.ChargeAmps}[h.rng.IntN(3)], 0.0
		words = func() []uint16 {
			mean += (h.now[q] - mean) * 0.05
			return []uint16{raw(mean * 100)}
		}
	case 8: // the target of the charger
		words = func() []uint16 { return []uint16{raw(1380 + 2*(25-h.now[reading.BatteryCelsius]))} }
	case 9: // an amount of the day
		words = func() []uint16 { return []uint16{0, uint16(h.site.Now().Hour()*97 + h.site.Now().Minute())} }
	default:
		words = constant(uint16(h.rng.IntN(200)))
	}
	h.decoys = append(h.decoys, decoy{Address{table, at}, words})
	return at + len(words())
}

// brightly waits for a moment with much light, and has the load cut. dimly is some time
// later, with the panel all but covered and the load on: the two looks that the owner is
// asked for.
func (h *hidden) brightly() {
	for range 5 {
		h.site.CutLoad(false)
		h.until(func() bool {
			return h.now[reading.BatteryAmps] > 2 && h.site.Now().Hour() > 8 && h.site.Truth().SoC < 0.85
		})
		h.site.CutLoad(true)
		h.pass(5 * time.Minute)
		if h.now[reading.BatteryAmps] > 1.5 {
			return
		}
	}
}

func (h *hidden) dimly() {
	bright := h.now[reading.BatteryVolts]
	h.site.CutLoad(false)
	h.site.Cover(0.9)
	h.pass(time.Duration(20+h.rng.IntN(60)) * time.Minute)
	for left := 0.1; left > 0.002 && h.now[reading.BatteryAmps] > -0.2; left *= 0.8 {
		h.site.Cover(1 - left)
		h.pass(time.Minute)
	}
	for n := 0; n < 12 && bright-h.now[reading.BatteryVolts] < 0.15; n++ {
		h.pass(10 * time.Minute) // until the display shows something else
	}
}

// pass lets time pass and looks at the meters.
func (h *hidden) pass(d time.Duration) {
	before := h.site.Now()
	h.site.Step(d)
	h.now = map[reading.Quantity]float64{}
	for _, v := range h.site.Measured() {
		h.now[v.Quantity] = v.X
	}
	p := h.past[reading.BatteryVolts]
	v := h.now[reading.BatteryVolts]
	if h.site.Now().Truncate(24 * time.Hour).After(before) {
		p = [2]float64{v, v}
	}
	h.past[reading.BatteryVolts] = [2]float64{min(p[0], v), max(p[1], v)}
}

// image is what the device holds now.
func (h *hidden) image() Image {
	img := Image{}
	put := func(at Address, words ...uint16) {
		for i, w := range words {
			img[Address{at.Table, at.Number + i}] = w
		}
	}
	for _, d := range h.decoys {
		put(d.at, d.words()...)
	}
	for q, c := range h.lines {
		put(c.At, encode(c, h.now[q])...)
	}
	if h.mirror {
		for at, w := range img {
			img[Address{modbus.Holding + modbus.Input - at.Table, at.Number}] = w
		}
	}
	return img
}

// encode is the reverse of [Candidate.Value].
func encode(c Candidate, x float64) []uint16 {
	n := int64(math.Round((x - c.Offset) / c.Scale))
	both := uint32(n)
	switch c.Type {
	case "u16":
		return []uint16{uint16(min(max(n, 0), 0xFFFF))}
	case "s16":
		return []uint16{uint16(int16(n))}
	case "u32":
		both = uint32(max(n, 0))
	case "f32":
		both = math.Float32bits(float32(x / c.Scale))
	}
	if c.LowFirst {
		return []uint16{uint16(both), uint16(both >> 16)}
	}
	return []uint16{uint16(both >> 16), uint16(both)}
}

// Ask answers as the device would: [Bus].
func (h *hidden) Ask(ctx context.Context, a modbus.Ask) (modbus.Reply, error) {
	if ctx.Err() != nil {
		return modbus.Reply{}, ctx.Err()
	}
	h.asked++
	readable := func(at int) bool {
		for _, r := range h.ranges {
			if (r.Table == a.Table || h.mirror) && at >= r.From && at < r.From+r.Count {
				return true
			}
		}
		return false
	}
	for at := int(a.Address); at < int(a.Address)+a.Count; at++ {
		if !readable(at) {
			return modbus.Reply{}, &collector.Error{Kind: collector.Exception, Err: errors.New("no such register")}
		}
	}
	img := h.image()
	var out []uint16
	for i := range a.Count {
		out = append(out, img[Address{a.Table, int(a.Address) + i}])
	}
	return modbus.Reply{Regs: out}, nil
}

// Close ends nothing: [Line].
func (h *hidden) Close() error { return nil }

// shows is what the display gives, drawn once: not all that the device measures, and rarely
// a thing that it does not.
func (h *hidden) shows(q reading.Quantity) bool {
	_, has := h.lines[q]
	odds := 5
	switch q {
	case reading.BatteryVolts, reading.BatteryAmps, reading.PanelVolts, reading.LoadAmps:
		odds = 10
	case reading.AirCelsius, reading.ControllerCelsius, reading.BatteryCelsius:
		return false // they hardly move within the hour; see TestTemperaturesNeedTime
	}
	if !has && (q == reading.ControllerSoC || q == reading.PanelAmps && !h.site.Spec().Charger.MPPT) {
		return false // no meter shows it; it is the charging current, typed once
	}
	if !has {
		odds = 1 // read off a meter
	}
	return sought(q) && h.rng.IntN(10) < odds
}

// owner types what the display or a meter shows: rounded, and a meter errs a little.
func (h *hidden) owner() map[reading.Quantity]Typed {
	if h.shown == nil {
		h.shown = map[reading.Quantity]bool{}
		for q := range reading.NumSite {
			if h.shows(q) {
				h.shown[q] = h.rng.IntN(4) == 0 || h.lines[q].Type == "" // true: off a meter
				if q == reading.ControllerSoC {
					h.shown[q] = false // there is no meter for it
				}
				h.gains[q] = 0.004 * h.rng.NormFloat64()
			}
		}
	}
	out := map[reading.Quantity]Typed{}
	for _, q := range slices.Sorted(maps.Keys(h.shown)) { // in order, so that a seed repeats itself
		meter := h.shown[q]
		x, d := h.now[q], 0.01
		switch {
		case q == reading.BatteryCelsius, q == reading.AirCelsius, q == reading.ControllerCelsius, q == reading.PanelWatts, q == reading.LoadWatts:
			d = 0.1
		case !meter && h.lines[q].step() > 0.05: // a display shows what its register can tell
			d = 0.1
		}
		if meter {
			x = x*(1+h.gains[q]) + d*float64(h.rng.IntN(3)-1) // a meter's last digit dances
			if x < 0 && q != reading.BatteryAmps && d < 0.1 {
				x = 0
			}
		} else {
			x, _ = h.lines[q].Value(h.image())
		}
		out[q] = Typed{X: math.Round(x/d) * d, Digit: d}
	}
	return out
}

// look is one look of the owner: an image, the typing, two more images some seconds later.
func (h *hidden) look() Look {
	shot := func() Image {
		h.pass(8 * time.Second)
		return h.image()
	}
	l := Look{At: h.site.Now(), Images: []Image{shot()}}
	l.Typed = h.owner()
	l.Images = append(l.Images, shot(), shot())
	return l
}

// until lets time pass until a condition holds, a month at most.
func (h *hidden) until(is func() bool) {
	for range 30 * 24 * 6 {
		h.pass(10 * time.Minute)
		if is() {
			return
		}
	}
}
