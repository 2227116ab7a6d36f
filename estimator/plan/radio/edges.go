package radio

import "math"

// ground and crowns are the two lines that may stand in the way: the ground with the earth's
// bulge, and the tops of the trees on it.
func ground(l Look) float64 { return l.Ground }
func crowns(l Look) float64 { return l.Ground + l.Trees }

// edges is the loss over what stands in the way, dB: the edge that stands highest against the
// Fresnel zone of the whole path, and on each side of it the one that does so between there
// and the end. Source: the cascaded knife edges of ITU-R P.526, after Deygout, without its
// empirical term for rolling terrain, which a drawn profile already holds.
func (p Path) edges(looks []Look, top func(Look) float64) float64 {
	last := len(looks) - 1
	main, v := p.worst(looks, 0, last, looks[0].Line, looks[last].Line, top)
	if main < 0 || v <= -0.78 {
		return 0
	}
	loss := Edge(v)
	height := top(looks[main])
	_, before := p.worst(looks, 0, main, looks[0].Line, height, top)
	_, after := p.worst(looks, main, last, height, looks[last].Line, top)
	return loss + (1-math.Exp(-loss/6))*(Edge(before)+Edge(after))
}

// worst finds the place between two others that stands highest above the line from a height
// at one to a height at the other, against the Fresnel zone between them: v as [Edge] takes
// it. There is none where nothing lies between.
func (p Path) worst(looks []Look, from, to int, a, b float64, top func(Look) float64) (at int, v float64) {
	at, v = -1, math.Inf(-1)
	for i := from + 1; i < to; i++ {
		d1, d2 := looks[i].At-looks[from].At, looks[to].At-looks[i].At
		line := a + (b-a)*d1/(d1+d2)
		if x := math.Sqrt2 * (top(looks[i]) - line) / max(Fresnel(p.MHz, d1, d2), 1e-9); x > v {
			at, v = i, x
		}
	}
	return at, v
}
