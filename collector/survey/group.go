package survey

import (
	"ebbwatch/collector/modbus"
	"math"
	"slices"
)

// group puts the candidates together that read the same low word on the same scale: they
// differ only where a number outgrows 16 bits.
func group(all []Candidate) [][]Candidate {
	type key struct {
		low           Address
		scale, offset float64
		float         bool
		lowFirst      bool
	}
	var order []key
	groups := map[key][]Candidate{}
	for _, c := range all {
		k := key{low: c.low(), scale: c.Scale, offset: c.Offset, float: c.Type == "f32"}
		k.lowFirst = k.float && c.LowFirst
		if groups[k] == nil {
			order = append(order, k)
		}
		groups[k] = append(groups[k], c)
	}
	out := make([][]Candidate, len(order))
	for i, k := range order {
		out[i] = groups[k]
	}
	return out
}

// mirrored drops the input registers that say at every moment what the holding registers of
// the same address say: many devices serve one list under both functions.
func mirrored(groups [][]Candidate, views []view) [][]Candidate {
	same := func(a, b Candidate) bool {
		if a.At.Number != b.At.Number || a.Scale != b.Scale || a.Offset != b.Offset || a.Type != b.Type || a.LowFirst != b.LowFirst {
			return false
		}
		for _, v := range views {
			loA, hiA, _, _ := v.said(a)
			loB, hiB, _, _ := v.said(b)
			if math.Abs(loA-loB) > a.step() || math.Abs(hiA-hiB) > a.step() {
				return false
			}
		}
		return true
	}
	return slices.DeleteFunc(groups, func(g []Candidate) bool {
		return g[0].At.Table == modbus.Input && slices.ContainsFunc(groups, func(h []Candidate) bool {
			return h[0].At.Table == modbus.Holding && same(g[0], h[0])
		})
	})
}

// represent gives the candidates of a group that differ in what they would read on this
// node: one where 16 bits are enough for the quantity or the neighbours rule 32 bits out.
func (t trait) represent(g []Candidate, views []view) []Candidate {
	pick := func(kind string) (Candidate, bool) {
		i := slices.IndexFunc(g, func(c Candidate) bool { return c.Type == kind })
		if i < 0 {
			return Candidate{}, false
		}
		return g[i], true
	}
	narrow, wide, room := "u16", "u32", 65535.0
	if t.signed && g[0].Offset == 0 {
		narrow, wide, room = "s16", "s32", 32767
	}
	small, is16 := pick(narrow)
	var large []Candidate
	for _, c := range g {
		if c.Type == wide {
			large = append(large, c)
		}
	}
	switch {
	case g[0].Type == "f32" || !is16 && len(large) == 0:
		return g[:1]
	case !is16:
		return large
	case len(large) == 1 && extended(large[0], views):
		return large
	case t.limit/math.Abs(small.Scale) <= room || len(large) == 0:
		return []Candidate{small}
	}
	return append([]Candidate{small}, large...)
}

// extended tells whether the high word was seen both as the sign of a positive and of a
// negative number: then it belongs to it.
func extended(c Candidate, views []view) bool {
	var plus, minus bool
	for _, v := range views {
		for _, img := range v.images {
			plus, minus = plus || img[c.high()] == 0, minus || img[c.high()] == 0xFFFF
		}
	}
	return plus && minus
}
