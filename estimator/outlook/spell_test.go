package outlook

import (
	"math"
	"math/rand/v2"
	"testing"
)

// TestSpellFitsTogether draws sets of futures of every kind and holds each pair of numbers of
// the spell together.
func TestSpellFitsTogether(t *testing.T) {
	t.Parallel()
	none, beyond, wide := 0, 0, 0
	for seed := range uint64(5000) {
		dice := rand.New(rand.NewPCG(seed, 7))
		var cutoff, back [Paths]float64
		share, nights := dice.Float64()*dice.Float64(), 1+dice.IntN(8)
		for i := range cutoff {
			if cutoff[i], back[i] = never, never; dice.Float64() < share {
				cutoff[i] = float64(dice.IntN(nights)*24) + 10*dice.Float64()
				if end := cutoff[i] + 1 + dice.ExpFloat64()*float64(10+dice.IntN(60)); end < 240 {
					back[i] = math.Ceil(end)
				}
			}
		}
		s := spell(&cutoff, &back)
		if math.IsNaN(s.From) {
			none++
			continue
		}
		inSpan, dark := 0, 0
		for _, cut := range cutoff {
			if cut <= week {
				dark++
			}
			if cut >= s.From && cut <= s.To {
				inSpan++
			}
		}
		if 2*inSpan < dark || s.Early > s.From || s.From > s.To || s.Early < 0 {
			t.Fatalf("seed %d: %+v, %d of %d lie in the span", seed, s, inSpan, dark)
		}
		switch {
		case math.IsNaN(s.Lasts):
			beyond++
		case math.IsNaN(s.Back):
			wide++
		case s.Back < s.To || s.Lasts < s.Back-s.To || s.Lasts > s.Back-s.From:
			t.Fatalf("seed %d: dark from %.1f to %.1f for %.1f hours, back at %.1f", seed, s.From, s.To, s.Lasts, s.Back)
		}
		if s.Lasts <= 0 {
			t.Fatalf("seed %d: it lasts %.1f hours", seed, s.Lasts)
		}
	}
	if none == 0 || beyond == 0 || wide == 0 {
		t.Errorf("%d without, %d beyond the horizon, %d wide: too few to show anything", none, beyond, wide)
	}
}
