package survey

import (
	"math"
	"math/bits"
	"math/rand/v2"
	"slices"
	"testing"

	"ebbwatch/collector/modbus"
	"ebbwatch/collector/reading"
)

// strange is a second kind of made-up device, unlike [hidden] on purpose: no simulated site
// but a dozen equations, every moment drawn afresh; lists of registers in several blocks;
// scales that come of a converter's range; decoys that are made from the quantities
// themselves, such as copies, means and neighbours that nearly agree.
type strange struct {
	shown map[reading.Quantity]float64 // what its display has, and how fine
	rng   *rand.Rand
	lines map[reading.Quantity]Candidate
	fills []fill
	quirk quirks
	mean  map[reading.Quantity]float64
	most  map[reading.Quantity]float64
	ticks int
}

// quirks are drawn once for a device.
type quirks struct {
	lowFirst, lowByte, floats, cuts, flipped, input bool
	coarse                                          bool    // the display shows tenths
	panel                                           float64 // its volts at work
	base                                            int
}

// fill is what one or two registers hold that are not a quantity that is asked for.
type fill struct {
	at    int
	words func(moment) []uint16
	alike *Candidate // how it would read as the quantity that it is made from
	of    reading.Quantity
}

// moment is what is so now.
type moment map[reading.Quantity]float64

func newStrange(seed uint64) *strange {
	rng := rand.New(rand.NewPCG(seed, 99))
	often := func(p float64) bool { return rng.Float64() < p }
	d := &strange{rng: rng, lines: map[reading.Quantity]Candidate{}, mean: map[reading.Quantity]float64{}, most: map[reading.Quantity]float64{}}
	d.quirk = quirks{
		lowFirst: often(0.4), lowByte: often(0.04), floats: often(0.2), cuts: often(0.2), flipped: often(0.3),
		input: often(0.5), coarse: often(0.3), panel: 15 + 20*rng.Float64(), base: rng.IntN(64000),
	}
	d.lay(often)
	return d
}

func (d *strange) pick(xs ...float64) float64 { return xs[d.rng.IntN(len(xs))] }

// state draws a moment: light and load give all else by arithmetic.
func (d *strange) state(light, load float64) moment {
	volts := 12.9 + 0.1*light + 0.4*d.rng.Float64() - 0.05*load
	panelVolts := d.quirk.panel * (0.9 + 0.2*d.rng.Float64())
	watts := light * volts / 0.95
	m := moment{
		reading.BatteryVolts: volts, reading.ChargeAmps: light, reading.BatteryAmps: light - load,
		reading.PanelVolts: panelVolts, reading.PanelWatts: watts, reading.PanelAmps: watts / panelVolts,
		reading.LoadAmps: load, reading.ControllerSoC: 0.3 + 0.6*d.rng.Float64(),
		reading.BatteryCelsius: 4 + 16*d.rng.Float64(), reading.ControllerCelsius: 15 + 2*light + 5*d.rng.Float64(),
	}
	if light < 0.05 {
		m[reading.PanelVolts] = 3 * d.rng.Float64()
	}
	if load > 0 {
		m[reading.LoadVolts] = volts - 0.01 - 0.02*load
	}
	m[reading.LoadWatts] = m[reading.LoadVolts] * load
	return m
}

// drift is the same moment some seconds later.
func (d *strange) drift(m moment) moment {
	out := moment{}
	for q := range reading.NumSite { // in order, so that a seed repeats itself
		if x, known := m[q]; known {
			out[q] = x * (1 + 0.0008*d.rng.NormFloat64())
		}
	}
	return out
}

func asked() []reading.Quantity {
	return []reading.Quantity{
		reading.BatteryVolts, reading.BatteryAmps, reading.PanelVolts, reading.PanelAmps, reading.PanelWatts, reading.ChargeAmps,
		reading.LoadVolts, reading.LoadAmps, reading.LoadWatts, reading.BatteryCelsius, reading.ControllerCelsius, reading.ControllerSoC,
	}
}

// line draws how a quantity is written.
func (d *strange) line(q reading.Quantity) Candidate {
	signed := q == reading.BatteryAmps || q == reading.BatteryCelsius || q == reading.ControllerCelsius
	c := Candidate{Type: "u16", LowByte: d.quirk.lowByte, Scale: d.pick(0.1, 0.01, 0.01, 0.01, 0.001)}
	switch q {
	case reading.PanelWatts, reading.LoadWatts:
		c.Scale = d.pick(1, 0.1, 0.1, 0.01)
	case reading.ControllerSoC:
		c.Scale = d.pick(0.01, 0.01, 0.001)
	case reading.BatteryCelsius, reading.ControllerCelsius:
		c.Scale = d.pick(1, 0.1, 0.1, 0.01)
	default:
		if d.rng.IntN(40) == 0 { // what a converter counts, over its range
			c.Scale = map[bool]float64{true: 40, false: 30}[q == reading.PanelVolts] / d.pick(255, 1023, 4095)
		}
	}
	if signed {
		c.Type = "s16"
	}
	switch d.rng.IntN(6) {
	case 0:
		c.Type = map[bool]string{true: "s32", false: "u32"}[signed]
	case 1, 2, 3:
		if d.quirk.floats {
			c.Type, c.Scale = "f32", d.pick(1, 1, 1, 0.001)
			if q == reading.ControllerSoC {
				c.Scale = 0.01
			}
		}
	}
	if c.Type == "s16" && q != reading.BatteryAmps && d.rng.IntN(6) == 0 {
		c.Type, c.Scale, c.Offset = "u16", 1, -40
	}
	if q == reading.BatteryAmps && d.quirk.flipped {
		c.Scale = -c.Scale
	}
	c.LowFirst = c.wide() && d.quirk.lowFirst
	return c
}

// lay puts related quantities side by side, as makers do, and decoys between and behind.
func (d *strange) lay(often func(float64) bool) {
	table := d.table()
	at := d.quirk.base
	for i, q := range asked() {
		if i%3 == 0 && often(0.5) { // another block
			at += 1 + d.rng.IntN(40)
		}
		if q != reading.BatteryVolts && !often(0.75) {
			continue
		}
		c := d.line(q)
		c.At = Address{table, at}
		d.lines[q] = c
		at += len(encode(c, 1))
		for often(0.6) {
			at += d.decoy(q, at)
		}
	}
	for range 10 + d.rng.IntN(60) {
		at += d.decoy(asked()[d.rng.IntN(len(asked()))], at)
	}
}

func (d *strange) table() modbus.Table {
	if d.quirk.input {
		return modbus.Input
	}
	return modbus.Holding
}

// decoy puts something else at an address, often made from a quantity, and tells how many
// registers it takes.
func (d *strange) decoy(q reading.Quantity, at int) int {
	c := d.line(q)
	own := d.lines[q]
	fixed, phase := d.rng.Float64(), d.rng.IntN(1000)
	words := func(moment) []uint16 { return []uint16{uint16(65536 * fixed * fixed * fixed)} }
	kind := d.rng.IntN(28)
	switch kind {
	case 0: // the mean of the last while
		words = func(moment) []uint16 { return encode(c, d.mean[q]) }
	case 1: // the most of the day
		words = func(moment) []uint16 { return encode(c, d.most[q]) }
	case 2: // a set-point near to what is measured
		words = func(moment) []uint16 { return encode(Candidate{Type: "u16", Scale: 0.01}, 11+4*fixed) }
	case 3: // noise
		words = func(moment) []uint16 { return []uint16{uint16(d.rng.IntN(2000))} }
	case 4: // another battery, much like ours
		words = func(m moment) []uint16 {
			return encode(c, m[q]*(0.96+0.08*fixed)+0.02*math.Sin(float64(d.ticks+phase)))
		}
	case 5: // bits
		words = func(m moment) []uint16 {
			return []uint16{uint16(phase)&0xFF | uint16(bits.OnesCount(uint(m[reading.ChargeAmps])))<<9}
		}
	case 6: // a counter
		words = func(moment) []uint16 { return []uint16{0, uint16(phase + d.ticks)} }
	case 7: // a copy in coarser units
		if own.Type == "u16" || own.Type == "s16" {
			own.Scale *= 10
			words = func(m moment) []uint16 { return encode(own, m[q]) }
		}
	case 8: // what it was a while ago
		old := 0.0
		words = func(m moment) []uint16 { old += 0.1 * (m[q] - old); return encode(c, old) }
	case 9: // the product of two
		words = func(m moment) []uint16 {
			return encode(Candidate{Type: "u32", Scale: 0.1, LowFirst: d.quirk.lowFirst}, m[reading.BatteryVolts]*max(m[q], 0))
		}
	case 10, 11, 12, 13:
		words = func(moment) []uint16 { return []uint16{0} }
	}
	f := fill{at: at, words: words, of: q}
	if kind == 4 || kind == 0 || kind == 1 || kind == 8 {
		f.alike = &c
	}
	if kind == 7 {
		f.alike = &own
	}
	if f.alike != nil {
		f.alike.At = Address{d.table(), at}
	}
	d.fills = append(d.fills, f)
	return len(words(moment{}))
}

// image is what the device holds at a moment.
func (d *strange) image(m moment) Image {
	img := Image{}
	table := d.table()
	put := func(at int, words []uint16, swap bool) {
		for i, w := range words {
			if swap {
				w = bits.ReverseBytes16(w)
			}
			img[Address{table, at + i}] = w
		}
	}
	d.ticks++
	for q, x := range m {
		d.mean[q] += 0.2 * (x - d.mean[q])
		d.most[q] = max(d.most[q], x)
	}
	for _, f := range d.fills {
		put(f.at, f.words(m), d.quirk.lowByte)
	}
	for q, c := range d.lines {
		put(c.At.Number, encode(c, m[q]), c.LowByte)
	}
	return img
}

// look is one look of an owner who types most of what the display has.
func (d *strange) look(m moment, shown map[reading.Quantity]float64) Look {
	l := Look{Typed: map[reading.Quantity]Typed{}, Images: []Image{d.image(m)}}
	for _, q := range asked() {
		digit, some := shown[q]
		if !some {
			continue
		}
		x, _ := d.lines[q].Value(l.Images[0])
		if d.quirk.cuts {
			x = math.Trunc(x/digit+1e-6*math.Copysign(1, x)) * digit
		}
		l.Typed[q] = Typed{math.Round(x/digit) * digit, digit}
	}
	l.Images = append(l.Images, d.image(d.drift(m)), d.image(d.drift(m)))
	return l
}

// display draws what the display shows, and how fine.
func (d *strange) display() map[reading.Quantity]float64 {
	out := map[reading.Quantity]float64{}
	for _, q := range asked() {
		c, has := d.lines[q]
		if !has || d.rng.IntN(5) == 0 && q != reading.BatteryVolts {
			continue
		}
		out[q] = 0.01
		switch {
		case q == reading.BatteryCelsius, q == reading.ControllerCelsius, q == reading.PanelWatts && d.quirk.coarse:
			out[q] = 1
		case q == reading.ControllerSoC:
		case d.quirk.coarse, q == reading.PanelWatts, q == reading.LoadWatts, c.step() > 0.05:
			out[q] = 0.1
		}
	}
	return out
}

// rarely tells whether a quantity is on a scale that is on no list.
func (d *strange) rarely(q reading.Quantity) bool {
	c, t := d.lines[q], traitOf(q, 0)
	return !slices.Contains(t.scales(c.Type), c.Scale)
}

// stranger is one device with three looks at it: the last one in other light, with another
// load.
func stranger(seed uint64) (*strange, []Look) {
	d := newStrange(seed)
	for range 20 { // a day before
		d.image(d.state(10*d.rng.Float64(), 0.8+2*d.rng.Float64()))
	}
	load, shown := 0.8+2*d.rng.Float64(), d.display()
	d.shown = shown
	return d, []Look{
		d.look(d.state(3+9*d.rng.Float64(), 0.3*load*float64(d.rng.IntN(2))), shown),
		d.look(d.state(0.8*d.rng.Float64(), load), shown),
		d.look(d.state(1+5*d.rng.Float64(), 0.6*load), shown),
	}
}

// twins are the quantities that another register says as well, to the digits that were typed,
// at all looks: nobody could tell which one is right.
func (d *strange) twins(looks []Look) map[reading.Quantity]bool {
	out := map[reading.Quantity]bool{}
	for _, f := range d.fills {
		if f.alike == nil {
			continue
		}
		if !slices.ContainsFunc(looks, func(l Look) bool {
			x, _ := f.alike.Value(l.Images[0])
			y, typed := l.Typed[f.of]
			return !typed || math.Abs(x-y.X) > 1.01*y.Digit
		}) {
			out[f.of] = true
		}
	}
	return out
}

// falls tells which picks are wrong, by reading them at many moments: right is what reads the
// quantity, from whichever register.
func (d *strange) falls(found []Finding) map[reading.Quantity]bool {
	wrong := map[reading.Quantity]bool{}
	for range 30 {
		img := d.image(d.state(12*d.rng.Float64()*float64(d.rng.IntN(2)), 3*d.rng.Float64()*float64(d.rng.IntN(2))))
		for _, f := range found {
			got, known := f.Pick.Value(img)
			want, _ := d.lines[f.Quantity].Value(img)
			if f.Verdict == Decided && (!known || math.Abs(got-want) > 1.01*max(f.Pick.step(), d.lines[f.Quantity].step())+1e-6) {
				wrong[f.Quantity] = true
			}
		}
	}
	return wrong
}

// outcome is what became of quantities: those that something else looks just like, those
// whose scale is on no list, and all the others.
type outcome struct{ plain, twin, rare tally }

func (o *outcome) of(d *strange, looks []Look, q reading.Quantity) *tally {
	switch {
	case d.rarely(q):
		return &o.rare
	case d.twins(looks)[q]:
		return &o.twin
	}
	return &o.plain
}

// judge adds what was found by some looks at a device.
func (o *outcome) judge(t *testing.T, seed uint64, d *strange, looks []Look) {
	t.Helper()
	found := InTheDark(Find(looks, 0), d.look(d.state(0, 0.5+2.5*d.rng.Float64()), d.shown), 0)
	wrong := d.falls(found)
	for _, f := range found {
		into := o.of(d, looks, f.Quantity)
		if into.count(f, wrong[f.Quantity]) {
			t.Logf("device %d, %d looks: wrong and confident (%.5f): %s; it is %v", seed, len(looks), f.Sure, f, d.lines[f.Quantity])
		}
	}
}

// Devices of a kind that the finder was not made with, with far more look-alikes than any real
// one. What can be told apart must be found, more of it with a third look, and nothing wrong.
// Where a scale is on no list, a register that lags behind, or is a mean, may be taken for the
// quantity, for up to one of twelve; else one in ten thousand is wrong.
func TestStrangeDevices(t *testing.T) {
	t.Parallel()
	first, devices := uint64(710_000), study(80, 3000)
	var two, three outcome
	for seed := first; seed < first+devices; seed++ {
		d, looks := stranger(seed)
		two.judge(t, seed, d, looks[:2])
		three.judge(t, seed, d, looks)
	}
	for _, o := range []outcome{two, three} {
		t.Logf("%d strange devices: %.1f %% of %d quantities found, %+v; with twins %+v; with odd scales %+v",
			devices, 100*float64(o.plain.right)/float64(o.plain.all()), o.plain.all(), o.plain, o.twin, o.rare)
		if wrong := o.plain.wrong + o.twin.wrong; wrong*10_000 > o.plain.all() || o.rare.wrong*100 > 8*o.rare.all() {
			t.Errorf("%d, %d and %d are wrong and confident", o.plain.wrong, o.twin.wrong, o.rare.wrong)
		}
	}
	if share := func(t tally) float64 { return float64(t.right) / float64(t.all()) }; share(two.plain) < 0.86 || share(three.plain) < 0.94 {
		t.Errorf("found %+v, with a third look %+v", two.plain, three.plain)
	}
}
