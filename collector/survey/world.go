package survey

import "math"

// world is what may be so of the device as a whole. Each is searched by itself; how well all
// that was typed fits in tells how probable it is.
type world struct {
	lowByte bool
	order   string // of words: "high", "low" or "mixed"
	cuts    bool   // its display cuts digits off instead of rounding
	log     float64
}

func worlds() []world {
	var out []world
	for _, w := range []world{
		{false, "high", false, 0.465}, {false, "low", false, 0.465}, {false, "mixed", false, 0.05},
		{true, "high", false, 0.01}, {true, "low", false, 0.01},
	} {
		rounds, cuts := w, w
		rounds.log, cuts.log, cuts.cuts = math.Log(0.85*w.log), math.Log(0.15*w.log), true
		out = append(out, rounds, cuts)
	}
	return out
}

// has tells whether a track can be in the world.
func (w world) has(c Candidate) bool {
	return c.LowByte == w.lowByte && (!c.wide() || w.order == "mixed" || c.LowFirst == (w.order == "low"))
}

// weigh finds out how probable every candidate of every hunt is.
func weigh(hunts []*hunt, looks []Look) {
	for _, lowByte := range []bool{false, true} {
		all := tracks(looks, lowByte)
		for _, h := range hunts {
			h.near[lowByte] = h.gather(all)
		}
	}
	var found []searched
	best := math.Inf(-1)
	for _, w := range worlds() {
		s := w.search(hunts)
		found, best = append(found, s), max(best, s.log)
	}
	sum := 0.0
	for _, s := range found {
		sum += math.Exp(s.log - best)
	}
	for _, s := range found {
		s.tell(hunts, math.Exp(s.log-best)/sum)
	}
}

// searched is a world with what it came to.
type searched struct {
	choices []choice
	odds    [][]float64
	log     float64
}

func (w world) search(hunts []*hunt) searched {
	var s searched
	for _, h := range hunts {
		s.choices = append(s.choices, choice{h.options(w), h.nowhere}.keep())
	}
	s.odds, s.log = shares(s.choices)
	s.log += w.log
	return s
}

// tell adds what a world says to the hunts, by how probable it is.
func (s searched) tell(hunts []*hunt, odds float64) {
	for i, h := range hunts {
		for k, o := range s.choices[i].options {
			h.odds[o.Candidate] += odds * s.odds[i][k]
			if _, known := h.known[o.Candidate]; !known || !o.guessed {
				h.known[o.Candidate] = o.fit
			}
		}
	}
}
