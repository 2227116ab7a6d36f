package survey

import (
	"cmp"
	"context"
	"fmt"
	"slices"

	"ebbwatch/collector"
	"ebbwatch/collector/modbus"
)

// Range is a run of registers that can be read.
type Range struct {
	Table modbus.Table
	From  int // as on the wire
	Count int
}

// String names it, in numbers as on the wire.
func (r Range) String() string {
	return fmt.Sprintf("%s %d to %d", r.Table, r.From, r.From+r.Count-1)
}

const (
	atOnce    = 16   // registers in one question while feeling for the ends
	mostZeros = 64   // registers of zeros after which a range is taken to have ended
	mostRegs  = 2000 // of one table: beyond this a device answers to everything
	stride    = 8    // between the addresses of the first thousand that a quick sweep tries
	behind    = 64   // addresses behind a range at which the next one is looked for, one by one,
	farBehind = 256  // and up to here at every fourth
	patience  = 25   // silences in a row before the device itself is asked for
)

// sweeper is one sweep under way.
type sweeper struct {
	*Survey
	line   Bus
	unit   byte
	home   *Address // a register that was read before
	silent int
	found  []Range
	seen   *progress
}

// Sweep finds the ranges of registers that can be read. Quickly it looks where devices
// usually keep them: the first thousand, the starts of pages, and behind each range that it
// found; thoroughly, at every one of all 65536 addresses. It begins at home, an address that
// answered before, if there is one.
func (s *Survey) Sweep(ctx context.Context, line Bus, unit byte, thorough bool, home *Address) ([]Range, error) {
	w := &sweeper{Survey: s, line: line, unit: unit, home: home}
	if home != nil {
		if err := w.try(ctx, home.Table, home.Number); err != nil {
			return w.found, err
		}
	}
	for _, table := range tables() {
		all := seeds(thorough)
		w.seen = s.progress(fmt.Sprintf("%s registers", table), len(all))
		for _, at := range all {
			if err := w.try(ctx, table, at); err != nil {
				return w.found, err
			}
			w.seen.step()
		}
	}
	slices.SortFunc(w.found, func(a, b Range) int {
		return cmp.Or(cmp.Compare(a.Table, b.Table), cmp.Compare(a.From, b.From))
	})
	if len(w.found) == 0 {
		return nil, fmt.Errorf("cannot read any register of unit %d: %s", unit, hint(thorough))
	}
	return w.found, nil
}

func tables() []modbus.Table { return []modbus.Table{modbus.Holding, modbus.Input} }

// try looks at an address and, where it can be read, at all around and behind it.
func (w *sweeper) try(ctx context.Context, table modbus.Table, at int) error {
	if w.known(table, at) || w.full(table) {
		return nil
	}
	ok, err := w.readable(ctx, table, at, 1)
	if err != nil || !ok {
		return err
	}
	to, err := w.expand(ctx, table, at)
	for next := to + 1; err == nil && next < min(to+farBehind, 65536) && !w.full(table); next++ {
		if w.known(table, next) || next > to+behind && next%4 > 0 {
			continue
		}
		if ok, err = w.readable(ctx, table, next, 1); ok && err == nil {
			to, err = w.expand(ctx, table, next)
			next = to
		}
	}
	return err
}

func hint(thorough bool) string {
	if thorough {
		return "it refuses both tables at every address tried"
	}
	return "it refuses the usual addresses; a thorough sweep looks at all"
}

// seeds are the addresses to try.
func seeds(thorough bool) []int {
	var out []int
	if thorough {
		for at := range 65536 {
			out = append(out, at)
		}
		return out
	}
	for at := 0; at < 1024; at += stride {
		out = append(out, at)
	}
	for page := 1024; page < 65536; page += 256 {
		out = append(out, page, page+1)
	}
	return append(out, 1000, 2000, 3000, 4000, 5000, 10000, 20000, 30000, 40000, 40001, 50000)
}

func (w *sweeper) known(table modbus.Table, at int) bool {
	return slices.ContainsFunc(w.found, func(r Range) bool {
		return r.Table == table && at >= r.From && at < r.From+r.Count
	})
}

func (w *sweeper) full(table modbus.Table) bool {
	n := 0
	for _, r := range w.found {
		if r.Table == table {
			n += r.Count
		}
	}
	return n >= mostRegs
}

// readable tells whether a run can be read. A refusal and a lasting silence both mean no.
func (w *sweeper) readable(ctx context.Context, table modbus.Table, at, count int) (bool, error) {
	_, ok, err := w.read(ctx, table, at, count)
	return ok, err
}

func (w *sweeper) read(ctx context.Context, table modbus.Table, at, count int) ([]uint16, bool, error) {
	if err := w.Wait(ctx, apart); err != nil {
		return nil, false, fmt.Errorf("stopped: %w", err)
	}
	reply, err := w.line.Ask(ctx, modbus.Ask{Unit: w.unit, Table: table, Address: uint16(at), Count: count})
	switch {
	case ctx.Err() != nil:
		return nil, false, fmt.Errorf("stopped: %w", context.Cause(ctx))
	case err == nil:
		w.silent = 0
		if w.home == nil {
			w.home = &Address{table, at}
		}
		return reply.Regs, true, nil
	case collector.KindOf(err) == collector.Exception:
		w.silent = 0
		return nil, false, nil
	case collector.KindOf(err) == collector.Port:
		return nil, false, fmt.Errorf("cannot go on reading unit %d: %w", w.unit, err)
	}
	w.silent++
	return nil, false, w.still(ctx)
}

// still asks for a register that answered before when much silence makes one wonder whether
// the device is still there.
func (w *sweeper) still(ctx context.Context) error {
	if w.silent < patience || w.home == nil {
		return nil
	}
	w.silent = 0
	var last error
	for range 3 {
		_, err := w.line.Ask(ctx, modbus.Ask{Unit: w.unit, Table: w.home.Table, Address: uint16(w.home.Number), Count: 1})
		if err == nil {
			return nil
		}
		last = err
	}
	return fmt.Errorf("cannot reach unit %d any more: %w", w.unit, last)
}

// expand finds both ends of the range around a register that can be read, and gives the first
// address behind it.
func (w *sweeper) expand(ctx context.Context, table modbus.Table, at int) (to int, err error) {
	to, err = w.edge(ctx, table, at+1, 1)
	if err != nil {
		return to, err
	}
	from, err := w.edge(ctx, table, at-1, -1)
	if err != nil {
		return to, err
	}
	w.found = append(w.found, Range{table, from + 1, to - from - 1})
	return to, nil
}

// edge walks from an address, up or down, to the first that cannot be read. It takes long
// strides, halves them at a refusal, and stops at long runs of zeros.
func (w *sweeper) edge(ctx context.Context, table modbus.Table, at, way int) (int, error) {
	zeros, size, began := 0, atOnce, at
	for at >= 0 && at < 65536 && zeros < mostZeros && max(at-began, began-at) < mostRegs {
		if w.known(table, at) {
			return at, nil
		}
		from, count := at, min(size, 65536-at)
		if way < 0 {
			count = min(size, at+1)
			from = at - count + 1
		}
		regs, ok, err := w.read(ctx, table, from, count)
		if err != nil {
			return at, err
		}
		if !ok {
			if size == 1 {
				return at, nil
			}
			size = count / 2
			continue
		}
		if slices.Max(regs) == 0 {
			zeros += count
		} else {
			zeros = 0
		}
		at += way * count
	}
	return at, nil
}

// Image reads the ranges once.
func (s *Survey) Image(ctx context.Context, line Bus, unit byte, ranges []Range) (Image, error) {
	w := &sweeper{Survey: s, line: line, unit: unit}
	img := Image{}
	n := 0
	for _, r := range ranges {
		n += r.Count
	}
	w.seen = s.progress("reading", n)
	for _, r := range ranges {
		size := 2 * atOnce
		for at := r.From; at < r.From+r.Count; {
			count := min(size, r.From+r.Count-at)
			regs, ok, err := w.read(ctx, r.Table, at, count)
			switch {
			case err != nil:
				return nil, err
			case ok:
				for i, x := range regs {
					img[Address{r.Table, at + i}] = x
					w.seen.step()
				}
				at += count
			case count > 1:
				size = count / 2
			default:
				at++ // gone for the moment
			}
		}
	}
	return img, nil
}

// describe names ranges for people.
func describe(ranges []Range) string {
	n := 0
	out := ""
	for i, r := range ranges {
		n += r.Count
		if i < 6 {
			out += ", " + r.String()
		}
	}
	if len(ranges) > 6 {
		out += fmt.Sprintf(" and %d more ranges", len(ranges)-6)
	}
	return fmt.Sprintf("%d registers that can be read%s", n, out)
}
