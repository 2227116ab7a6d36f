package survey

import (
	"math"
	"slices"

	"ebbwatch/collector/modbus"
)

// group puts the candidates together that read the same low word on the same scale: they
// differ only where a number outgrows 16 bits.
func group(all []fit) [][]fit {
	type key struct {
		low           Address
		scale, offset float64
		float         bool
		lowFirst      bool
	}
	var order []key
	groups := map[key][]fit{}
	for _, f := range all {
		k := key{low: f.low(), scale: f.Scale, offset: f.Offset, float: f.Type == "f32"}
		k.lowFirst = k.float && f.LowFirst
		if groups[k] == nil {
			order = append(order, k)
		}
		groups[k] = append(groups[k], f)
	}
	out := make([][]fit, len(order))
	for i, k := range order {
		out[i] = groups[k]
	}
	return out
}

// mirrored drops the input registers that say at every look what the holding registers of
// the same address say: many devices serve one list under both functions.
func mirrored(groups [][]fit, views []view) [][]fit {
	same := func(a, b fit) bool {
		if a.At.Number != b.At.Number || a.Scale != b.Scale || a.Offset != b.Offset || a.Type != b.Type || a.LowFirst != b.LowFirst {
			return false
		}
		return !slices.ContainsFunc(views, func(v view) bool {
			x, y, tick := a.said(v), b.said(v), 1.001*a.step() // in floats, a tick of 0.1 is not always one of 0.1
			return math.Abs(x.lo-y.lo) > tick || math.Abs(x.hi-y.hi) > tick
		})
	}
	return slices.DeleteFunc(groups, func(g []fit) bool {
		return g[0].At.Table == modbus.Input && slices.ContainsFunc(groups, func(h []fit) bool {
			return h[0].At.Table == modbus.Holding && same(g[0], h[0])
		})
	})
}

// weighed is a candidate with the logarithm of its probability, as far as it goes.
type weighed struct {
	fit
	log float64
}

// represent gives the candidates of a group that differ in what they would read on this
// node: one where 16 bits are enough for the quantity or the neighbours rule 32 bits out.
// Where they are not enough, no maker is likely to have chosen them.
func (t trait) represent(g []fit) []weighed {
	narrow, wide, room := "u16", "u32", 65535.0
	if t.signed && g[0].Offset == 0 {
		narrow, wide, room = "s16", "s32", 32767
	}
	var small, large []weighed
	for _, f := range g {
		switch f.Type {
		case narrow:
			log := 0.0
			if f.track.extended {
				log = -8 // no other register looks like that
			}
			small = append(small, weighed{f, log})
		case wide:
			large = append(large, weighed{f, 0})
		}
	}
	switch {
	case g[0].Type == "f32" || len(small) == 0 && len(large) == 0:
		return []weighed{{g[0], 0}}
	case len(small) == 0:
		return large
	case len(large) == 1 && large[0].track.minus && !large[0].track.foreign:
		return large // the high word was seen as the sign of a negative number
	case t.limit/math.Abs(g[0].Scale) <= room || len(large) == 0:
		return small
	}
	small[0].log += math.Log(0.1)
	return append(small, large...)
}
