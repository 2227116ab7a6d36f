package modbus

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"
)

// dearest is more than any plan costs.
const dearest = time.Duration(math.MaxInt64 / 4)

// bruteForce is the least cost of all ways to group the points: every subset is a group if
// one answer may hold it, and each way to part the whole set into groups is tried.
func bruteForce(ps []point, r rules) time.Duration {
	n := len(ps)
	group := make([]time.Duration, 1<<n)
	for set := 1; set < 1<<n; set++ {
		group[set] = groupCost(ps, set, r)
	}
	best := make([]time.Duration, 1<<n)
	for set := 1; set < 1<<n; set++ {
		best[set] = dearest
		low := set & -set
		for sub := set; sub > 0; sub = (sub - 1) & set {
			if sub&low != 0 && group[sub] < dearest {
				best[set] = min(best[set], group[sub]+best[set&^sub])
			}
		}
	}
	return best[1<<n-1]
}

// groupCost is what one question for a set of points costs, by the rules in words: at most
// limit registers, none forbidden, no cut inside, one table.
func groupCost(ps []point, set int, r rules) time.Duration {
	from, to := 1<<20, 0
	var table Table
	for i, p := range ps {
		if set&(1<<i) == 0 {
			continue
		}
		if table != 0 && p.table != table {
			return dearest
		}
		table = p.table
		from, to = min(from, int(p.addr)), max(to, int(p.addr)+p.words)
	}
	if to-from > r.limit {
		return dearest
	}
	for at := from; at < to; at++ {
		for _, f := range r.forbidden {
			if f.from <= at && at < f.to {
				return dearest
			}
		}
		for _, c := range r.cuts {
			if c.table == table && c.at == at && at > from {
				return dearest
			}
		}
	}
	return r.cost.ask + time.Duration(to-from)*r.cost.register
}

func randomMap(rng *rand.Rand, n int) ([]point, rules) {
	m := Mode{Baud: []int{1200, 9600, 19200, 115200}[rng.IntN(4)]}
	r := rules{limit: 2 + rng.IntN(40)}
	r.cost = cost{ask: 13*m.Char() + 2*pause35(m.Baud) + time.Duration(rng.IntN(50))*time.Millisecond, register: 2 * m.Char()}
	reach := 10 + rng.IntN(120)
	for range rng.IntN(3) {
		from := rng.IntN(reach)
		r.forbidden = append(r.forbidden, span{from, from + 1 + rng.IntN(4)})
	}
	var ps []point
	for len(ps) < n {
		p := point{table: Holding, addr: uint16(rng.IntN(reach)), words: 1 + rng.IntN(2)}
		if rng.IntN(5) == 0 {
			p.table = Input
		}
		if !slices.ContainsFunc(r.forbidden, p.span().overlaps) {
			ps = append(ps, p)
		}
	}
	for range rng.IntN(4) { // only where some question could end
		at := int(ps[rng.IntN(n)].addr)
		if !slices.ContainsFunc(ps, func(p point) bool { return int(p.addr) < at && at < int(p.addr)+p.words }) {
			r.cuts = append(r.cuts, cut{Holding, at})
		}
	}
	return ps, r
}

func TestPlanIsAsCheapAsTheBestOfAll(t *testing.T) {
	t.Parallel()
	rng := rand.New(rand.NewPCG(3, 17))
	rounds := map[int]int{12: 150, 8: 500}
	for size, times := range rounds {
		for range times {
			n := 1 + rng.IntN(size)
			if size == 12 {
				n = 12
			}
			ps, r := randomMap(rng, n)
			blocks := plan(ps, r)
			var got time.Duration
			held := 0
			for _, b := range blocks {
				got += r.cost.of(b.span)
				held += len(b.points)
				for _, p := range b.points {
					if !b.span.has(p.span()) || p.table != b.table {
						t.Errorf("block %v of the %s table does not hold %v", b.span, b.table, p.span())
					}
				}
				if len(b.points) > 1 && !r.allow(b.table, b.span) {
					t.Errorf("block %v is not allowed", b.span)
				}
			}
			if held != n {
				t.Errorf("the plan holds %d of %d points", held, n)
			}
			if want := bruteForce(ps, r); got != want {
				t.Errorf("%d points cost %s, at best %s: %v under %+v", n, got, want, ps, r)
			}
		}
	}
}

// By the arithmetic of the line: at 9600 baud 8N1 a register is 2.08 ms. A gap is read
// across as long as that costs less than another question.
func TestPlanReadsAcrossGapsWhileItPays(t *testing.T) {
	t.Parallel()
	r := rules{limit: 125, cost: cost{ask: 30 * time.Millisecond, register: 2 * time.Millisecond}}
	at := func(addr uint16) point { return point{table: Holding, addr: addr, words: 1} }
	for _, tc := range []struct {
		second uint16
		blocks int
	}{{1, 1}, {15, 1}, {17, 2}, {60, 2}} { // 14 registers of gap are 28 ms, 16 are 32 ms
		if got := len(plan([]point{at(0), at(tc.second)}, r)); got != tc.blocks {
			t.Errorf("registers 0 and %d: %d questions, want %d", tc.second, got, tc.blocks)
		}
	}
}

// Where shapes differ at all, two questions in a row do.
func TestPlanLetsShapesAlternate(t *testing.T) {
	t.Parallel()
	block1 := func(from, n int) block { return block{table: Holding, span: span{from, from + n}} }
	for _, tc := range []struct {
		name   string
		in     []block
		repeat int // pairs of one shape that cannot be helped
	}{
		{"two of two", []block{block1(0, 1), block1(50, 1), block1(100, 3), block1(150, 3)}, 0},
		{"one between", []block{block1(0, 1), block1(50, 1), block1(100, 3)}, 0},
		{"all alike", []block{block1(0, 1), block1(50, 1), block1(100, 1)}, 2},
	} {
		got := alternate(tc.in)
		repeat := 0
		for i := range got[1:] {
			if sameShape(got[i], got[i+1]) {
				repeat++
			}
		}
		if len(got) != len(tc.in) || repeat != tc.repeat {
			t.Errorf("%s: %d blocks, %d repeats, want %d and %d", tc.name, len(got), repeat, len(tc.in), tc.repeat)
		}
	}
}

func BenchmarkPlan(b *testing.B) {
	for _, n := range []int{12, 60} {
		b.Run(fmt.Sprintf("registers=%d", n), func(b *testing.B) {
			ps, r := randomMap(rand.New(rand.NewPCG(1, 1)), n)
			for b.Loop() {
				plan(ps, r)
			}
		})
	}
}
