package modbus

import (
	"cmp"
	"math"
	"slices"
	"time"
)

// cost is what reading takes on the wire: for each question, and for each register in the
// answer.
type cost struct{ ask, register time.Duration }

func (c cost) of(s span) time.Duration {
	return c.ask + time.Duration(s.to-s.from)*c.register
}

// block is one question of a plan and the points that its answer holds.
type block struct {
	table  Table
	span   span
	points []point
	whole  bool // the device answers to all of it or not at all
	spare  int  // registers behind that may be read as well
}

func (b block) ask(unit byte) Ask {
	return Ask{Unit: unit, Table: b.table, Address: uint16(b.span.from), Count: b.span.to - b.span.from, Spare: b.spare}
}

// rules are what a plan must keep to.
type rules struct {
	cost      cost
	limit     int    // most registers in one answer
	forbidden []span // never read across
	cuts      []cut  // learned: no answer may hold both sides
	whole     []run  // the only questions that the device answers; empty: any
}

// run is a run of registers of one table.
type run struct {
	table Table
	span  span
}

// cut is a place that one answer must not reach across: the device refuses it.
type cut struct {
	table Table
	at    int // between at-1 and at
}

// plan groups points into the questions that take the least time in all. Within a table
// the points are put in order of address; since a question reads a run of addresses, the
// best grouping is made of runs of that order, and the best first run leaves a smaller
// problem of the same kind (checked against all groupings by the tests).
func plan(points []point, r rules) []block {
	var blocks []block
	for _, t := range []Table{Coil, Discrete, Holding, Input} {
		blocks = append(blocks, planTable(t, points, r)...)
	}
	return alternate(blocks)
}

func planTable(t Table, points []point, r rules) []block {
	var ps []point
	for _, p := range points {
		if p.table == t {
			ps = append(ps, p)
		}
	}
	slices.SortStableFunc(ps, func(a, b point) int {
		return cmp.Or(cmp.Compare(a.addr, b.addr), cmp.Compare(a.words, b.words))
	})
	if len(r.whole) > 0 {
		return wholeBlocks(t, ps, r.whole)
	}
	best := make([]time.Duration, len(ps)+1) // of the points from i on
	next := make([]int, len(ps))
	for i := len(ps) - 1; i >= 0; i-- {
		best[i] = math.MaxInt64
		s := ps[i].span()
		for j := i; j < len(ps); j++ {
			s.to = max(s.to, ps[j].span().to)
			if j > i && !r.allow(t, s) {
				break
			}
			if c := r.cost.of(s) + best[j+1]; c < best[i] {
				best[i], next[i] = c, j+1
			}
		}
	}
	var blocks []block
	for i := 0; i < len(ps); i = next[i] {
		blocks = append(blocks, newBlock(t, ps[i:next[i]]))
	}
	return blocks
}

// wholeBlocks are the questions for points of a table on a device that answers to whole blocks
// only.
func wholeBlocks(t Table, ps []point, whole []run) (blocks []block) {
	for _, w := range whole {
		b := block{table: t, span: w.span, whole: true}
		for _, p := range ps {
			if w.table == t && w.span.has(p.span()) {
				b.points = append(b.points, p)
			}
		}
		if len(b.points) > 0 {
			blocks = append(blocks, b)
		}
	}
	return blocks
}

func newBlock(t Table, ps []point) block {
	s := ps[0].span()
	for _, p := range ps {
		s.to = max(s.to, p.span().to)
	}
	return block{table: t, span: s, points: slices.Clone(ps)}
}

// allow tells whether one answer may hold the whole span.
func (r rules) allow(t Table, s span) bool {
	if s.to-s.from > r.limit {
		return false
	}
	for _, f := range r.forbidden {
		if s.overlaps(f) {
			return false
		}
	}
	for _, c := range r.cuts {
		if c.table == t && s.from < c.at && c.at < s.to {
			return false
		}
	}
	return true
}

// mostSpare is enough for every question of a map to have a length of its own.
const mostSpare = 40

// spare is how many registers behind a block may be read with it.
func (r rules) spare(b block) (n int) {
	for len(r.whole) == 0 && n < mostSpare && b.span.to+n < 65536 && r.allow(b.table, span{b.span.from, b.span.to + n + 1}) {
		n++
	}
	return n
}

// alternate orders the questions so that, where it can be, two in a row differ in shape:
// then an answer that was said twice, or late, does not pass for the next one's.
func alternate(blocks []block) []block {
	left := slices.Clone(blocks)
	var out []block
	for len(left) > 0 {
		// Take the shape that is left most often, unless it was the last one.
		pick := -1
		for i, b := range left {
			if len(out) > 0 && len(left) > 1 && sameShape(b, out[len(out)-1]) {
				continue
			}
			if pick < 0 || alike(left, b) > alike(left, left[pick]) {
				pick = i
			}
		}
		pick = max(pick, 0)
		out = append(out, left[pick])
		left = slices.Delete(left, pick, pick+1)
	}
	return out
}

func sameShape(a, b block) bool { return a.ask(0).shape() == b.ask(0).shape() }

func alike(blocks []block, b block) (n int) {
	for _, o := range blocks {
		if sameShape(o, b) {
			n++
		}
	}
	return n
}

// halve splits a block where it is most likely that the device refuses: at the widest gap
// between its points. ok is false when it has only one place.
func (b block) halve() (left, right block, ok bool) {
	widest, at := -1, 0
	end := b.points[0].span().to
	for i, p := range b.points[1:] {
		from := p.span().from
		if gap := from - end; gap >= 0 && gap > widest {
			widest, at = gap, i+1
		}
		end = max(end, p.span().to)
	}
	if at == 0 || b.whole {
		return b, block{}, false
	}
	return newBlock(b.table, b.points[:at]), newBlock(b.table, b.points[at:]), true
}
