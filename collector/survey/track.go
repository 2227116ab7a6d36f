package survey

import (
	"cmp"
	"maps"
	"math"
	"slices"
)

// track is what a run of registers, read as one type, said at every look: before scaling.
type track struct {
	Candidate           // with a scale of 1
	at        []reach   // one for each look
	lowWords  []float64 // at each look the low word as a share of its range
	plus      bool      // the high word was seen as that of a positive small number
	minus     bool      // and of a negative one
	foreign   bool      // or as neither
	extended  bool      // a word beside a 16-bit number was seen as its sign
}

// reach is what a number was during one look: least, most, and the middle of it.
type reach struct{ lo, hi, mid float64 }

func (r reach) scaled(scale, offset float64) reach {
	lo, hi := r.lo*scale+offset, r.hi*scale+offset
	return reach{min(lo, hi), max(lo, hi), (lo + hi) / 2}
}

// tracks follows every register in every type through the looks. What was not readable at
// every look is left out.
func tracks(looks []Look, lowByte bool) []track {
	if len(looks) == 0 || len(looks[0].Images) == 0 {
		return nil
	}
	all := slices.SortedFunc(maps.Keys(looks[0].Images[0]), func(a, b Address) int {
		return cmp.Or(cmp.Compare(a.Table, b.Table), cmp.Compare(a.Number, b.Number))
	})
	var out []track
	for _, at := range all {
		for _, f := range forms() {
			t := track{Candidate: Candidate{At: at, Type: f.kind, LowFirst: f.lowFirst, LowByte: lowByte, Scale: 1}}
			if t.follow(looks) {
				out = append(out, t)
			}
		}
	}
	return out
}

// follow reads the registers at every look; false when they cannot be.
func (t *track) follow(looks []Look) bool {
	t.extended = t.Type == "s16" && (t.signBeside(looks, -1) || t.signBeside(looks, 1))
	for _, l := range looks {
		r := reach{lo: math.Inf(1), hi: math.Inf(-1)}
		for _, img := range l.Images {
			x, known := t.raw(img)
			if !known {
				return false
			}
			r.lo, r.hi = min(r.lo, x), max(r.hi, x)
			if t.wide() {
				high, _ := t.word(img, t.high())
				t.plus, t.minus = t.plus || high == 0, t.minus || high == 0xFFFF
				t.foreign = t.foreign || high != 0 && high != 0xFFFF
			}
		}
		if len(l.Images) == 0 {
			return false
		}
		r.mid = (r.lo + r.hi) / 2
		low, _ := t.word(l.Images[0], t.low())
		t.at, t.lowWords = append(t.at, r), append(t.lowWords, float64(low)/65536)
	}
	return true
}

// signBeside tells whether the register before or behind is what the high word of a signed
// number is, at every look, and the number was negative at some.
func (t *track) signBeside(looks []Look, way int) bool {
	negative := false
	for _, l := range looks {
		for _, img := range l.Images {
			low, _ := t.word(img, t.At)
			high, known := t.word(img, Address{t.At.Table, t.At.Number + way})
			if want := uint16(int16(low) >> 15); !known || high != want {
				return false
			}
			negative = negative || high != 0
		}
	}
	return negative
}
