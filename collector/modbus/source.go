package modbus

import (
	"context"
	"errors"
	"slices"
	"strings"
	"time"

	"ebbwatch/collector"
	"ebbwatch/collector/reading"
)

const (
	deadFirst = 5 * time.Minute // a refused register is asked for again after this, then twice
	deadRoof  = 12 * time.Hour
	giveUp    = 2 // missing answers in a row that end a poll
)

// mapped is a source that reads what a register map names.
type mapped struct {
	device
	layout layout
	blocks []block
	cuts   []cut
	dead   map[reading.Quantity]*deadPoint
	next   map[reading.Quantity]time.Time // when a slow register is asked for again
	heldID [][]uint16                     // what the identity registers held
	regs   map[place]uint16               // what this poll has read
	heard  []block                        // in this order
	cost   cost
}

// place is one register of a device.
type place struct {
	table Table
	at    int
}

// deadPoint is a register that the device refuses.
type deadPoint struct {
	err   error
	until time.Time
	wait  time.Duration
}

// device is one unit on a bus, as a source sees it.
type device struct {
	bus       *Bus
	unit      byte
	base      int  // how the map numbers the first register, for errors
	numbered  bool // or by the numbering that begins at 40001
	opened    int  // the count of openings at which the device was known to be itself
	checking  int  // the count at which that is being made sure of
	strangers int
}

// describe names registers as the map does.
func (d *device) describe(a Ask) string {
	if d.numbered {
		return a.describe(map[Table]int{Coil: 1, Discrete: 10001, Input: 30001, Holding: 40001}[a.Table])
	}
	return a.describe(d.base)
}

// textOf reads two characters from each register, without what fills up the rest.
func textOf(regs []uint16) string {
	var b strings.Builder
	for _, r := range regs {
		b.WriteByte(byte(r >> 8))
		b.WriteByte(byte(r))
	}
	return strings.TrimRight(b.String(), " \x00")
}

// cannot puts the registers and the line before an error.
func (d *device) cannot(a Ask, err error) error {
	return collector.Errorf(collector.KindOf(err), "cannot read %s at %s: %w", d.describe(a), d.bus.settings, err)
}

// fetch asks; when the line was opened again since the device was last known to be itself,
// it makes sure of that before the answer counts.
func (d *device) fetch(ctx context.Context, a Ask, verify func(context.Context) error) ([]uint16, error) {
	got, err := d.bus.Ask(ctx, a)
	if err != nil {
		return nil, d.cannot(a, err)
	}
	if got.Opened != d.opened {
		d.checking = got.Opened
		if err := verify(ctx); err != nil {
			return nil, err
		}
		d.opened = got.Opened
	}
	return got.Regs, nil
}

// sure asks what the identity of the device is known by. The answer must come from the
// same opening of the line as what is to be believed.
func (d *device) sure(ctx context.Context, a Ask) ([]uint16, error) {
	got, err := d.bus.Ask(ctx, a)
	if err == nil && got.Opened != d.checking {
		err = collector.Errorf(collector.Port, "the line was lost again")
	}
	if err != nil {
		return nil, collector.Errorf(collector.KindOf(err), "cannot make sure which device this is: %w", d.cannot(a, err))
	}
	return got.Regs, nil
}

// others reports other masters that spoke since the last time.
func (d *device) others() error {
	n := d.bus.Strangers()
	if n <= d.strangers {
		return nil
	}
	heard := n - d.strangers
	d.strangers = n
	return collector.Errorf(collector.Foreign,
		"cannot have %s to ourselves: heard %d frames that nobody here asked for, another master is on the line", d.bus.settings, heard)
}

func newMapped(bus *Bus, unit byte, l layout) *mapped {
	m := &mapped{device: device{bus: bus, unit: unit, base: l.base, numbered: l.numbered}, layout: l, dead: map[reading.Quantity]*deadPoint{}, next: map[reading.Quantity]time.Time{}}
	m.replan()
	return m
}

// Read polls every register of the map. What was read counts even when some of it failed.
func (m *mapped) Read(ctx context.Context) ([]reading.Value, error) {
	now := time.Now()
	m.revive(now)
	if c := m.bus.cost(m.unit); differs(c.ask, m.cost.ask) || m.layout.slow() {
		m.replan()
	}
	m.regs, m.heard = map[place]uint16{}, nil
	var errs []error
	refused := m.refused()
	missing := 0
	for _, b := range m.blocks {
		err := m.readBlock(ctx, b)
		if err != nil {
			errs = append(errs, err)
		}
		if missing = count(missing, err); missing >= giveUp || collector.KindOf(err) == collector.Port {
			break // the rest would fail alike, and keep others off the line
		}
	}
	values, wrong := m.values()
	errs = append(append(errs, wrong...), m.others())
	return values, errors.Join(append(errs, refused...)...)
}

// refused repeats why registers are left out of this poll.
func (m *mapped) refused() (errs []error) {
	for _, p := range m.layout.points {
		if d := m.dead[p.quantity]; d != nil {
			errs = append(errs, d.err)
		}
	}
	return errs
}

func count(missing int, err error) int {
	if err != nil && collector.KindOf(err) == collector.Timeout {
		return missing + 1
	}
	return 0
}

// differs tells whether a cost has moved so much that the plan may be another.
func differs(a, b time.Duration) bool { return a > b*5/4 || b > a*5/4 }

// readBlock reads the points of one question. If the device refuses, it asks for the
// halves, and remembers where it must not reach across and what it must not ask for.
func (m *mapped) readBlock(ctx context.Context, b block) error {
	a := b.ask(m.unit)
	regs, err := m.fetch(ctx, a, m.verify)
	if no, sure := refusesAddress(err); no && sure {
		// Ask once more: a refusal does not say to which question, and what is remembered
		// must be sure.
		regs, err = m.fetch(ctx, a, m.verify)
	}
	if err == nil {
		m.raise(b)
		m.heard = append(m.heard, b)
		for i, x := range regs {
			m.regs[place{b.table, b.span.from + i}] = x
		}
		return nil
	}
	no, sure := refusesAddress(err)
	if !no {
		return err
	}
	left, right, ok := b.halve()
	if !ok && sure {
		m.bury(b, err)
	}
	if !ok {
		return err
	}
	defer m.replan()
	err1 := m.readBlock(ctx, left)
	err2 := m.readBlock(ctx, right)
	no1, _ := refusesAddress(err1)
	no2, _ := refusesAddress(err2)
	if !no1 && !no2 { // also where the line failed: a cut too many costs a question
		m.cuts = append(m.cuts, cut{b.table, right.span.from})
	}
	return errors.Join(err1, err2)
}

// refusesAddress tells whether the device said that it has no such registers, or not so
// many: exceptions 2 and 3. The others pass. sure is false where it may have spoken of others.
func refusesAddress(err error) (no, sure bool) {
	var e *exceptionError
	if !errors.As(err, &e) {
		return false, false
	}
	return e.code == 2 || e.code == 3, !e.unsure
}

// bury leaves the points of a block out of the plan for a while.
func (m *mapped) bury(b block, err error) {
	for _, p := range b.points {
		d := m.dead[p.quantity]
		if d == nil {
			d = &deadPoint{wait: deadFirst / 2}
			m.dead[p.quantity] = d
		}
		d.wait = min(2*d.wait, deadRoof)
		d.until, d.err = time.Now().Add(d.wait), err
	}
	m.replan()
}

// revive takes refused registers back into the plan when their time has come. Each is
// asked for by itself, not to spoil an answer that works.
func (m *mapped) revive(now time.Time) {
	for _, d := range m.dead {
		if d.err != nil && !d.until.After(now) {
			d.err = nil
			m.replan()
		}
	}
}

// raise takes registers that are no longer refused back for good.
func (m *mapped) raise(b block) {
	for _, p := range b.points {
		if m.dead[p.quantity] != nil {
			delete(m.dead, p.quantity)
			defer m.replan()
		}
	}
}

// replan finds the best questions for what may be asked.
func (m *mapped) replan() {
	m.cost = m.bus.cost(m.unit)
	r := rules{cost: m.cost, limit: m.layout.limit, forbidden: m.layout.forbidden, cuts: m.cuts, whole: m.layout.whole}
	var live []point
	var alone []block
	for _, p := range m.layout.points {
		switch d := m.dead[p.quantity]; {
		case m.next[p.quantity].After(time.Now()): // not yet
		case d == nil, d.err == nil && len(r.whole) > 0:
			live = append(live, p.parts()...)
		case d.err == nil: // refused before: by itself
			for _, part := range p.parts() {
				alone = append(alone, newBlock(p.table, []point{part}))
			}
		}
	}
	m.blocks = append(plan(live, r), alone...)
	for i := range m.blocks {
		m.blocks[i].spare = r.spare(m.blocks[i])
	}
}

// values takes the values out of what was read. Impossible ones are refused by name. A point of
// which a part is missing has none: why was told where the part could not be read.
func (m *mapped) values() (values []reading.Value, errs []error) {
	for _, b := range m.heard {
		for _, p := range b.points {
			regs, whole := m.held(p)
			if !whole || p.part {
				continue
			}
			if p.every > 0 {
				m.next[p.quantity] = time.Now().Add(p.every)
			}
			x, known, why := p.decode(regs)
			if why != "" {
				errs = append(errs, collector.Errorf(collector.Refused, "cannot believe %s: %s register %d of unit %d at %s %s",
					p.quantity, p.table, p.shown, m.unit, m.bus.settings, why))
			}
			if known {
				values = append(values, reading.Value{Quantity: p.quantity, X: x, Every: p.every})
			}
		}
	}
	return values, errs
}

// held gives the registers of a point, those of its parts one after the other.
func (m *mapped) held(p point) (regs []uint16, whole bool) {
	for _, part := range p.parts() {
		for at := part.span().from; at < part.span().to; at++ {
			x, read := m.regs[place{p.table, at}]
			if !read {
				return nil, false
			}
			regs = append(regs, x)
		}
	}
	return regs, true
}

// verify makes sure that the device is the one that it was.
func (m *mapped) verify(ctx context.Context) error {
	held := make([][]uint16, len(m.layout.identity))
	for i, id := range m.layout.identity {
		a := Ask{Unit: m.unit, Table: id.table, Address: id.addr, Count: id.count}
		got, err := m.sure(ctx, a)
		if err != nil {
			return err
		}
		want := id.expect
		if len(want) == 0 && m.heldID != nil {
			want = m.heldID[i]
		}
		if text := textOf(got); id.text != "" && text != id.text {
			return collector.Errorf(collector.Foreign, "cannot trust unit %d at %s: another device answers there, its identity in %s is %q instead of %q",
				m.unit, m.bus.settings, m.describe(a), text, id.text)
		}
		if len(want) > 0 && !slices.Equal(want, got) {
			return collector.Errorf(collector.Foreign, "cannot trust unit %d at %s: another device answers there, its identity in %s is %04X instead of %04X",
				m.unit, m.bus.settings, m.describe(a), got, want)
		}
		held[i] = got
	}
	m.heldID = held
	return nil
}
