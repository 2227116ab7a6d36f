package outlook

import "math"

// numFactors is the number of panel factors that are weighed against each other.
const numFactors = 25

// Panel is what was learned of what this panel gives against its label: the logarithm of
// the weight of each factor. It fades, so dirt, growth and age are followed over months.
type Panel struct {
	LogW [numFactors]float64
	Days float64
}

// factorAt runs from 0.35 to 1.28, in equal ratios.
func factorAt(i int) float64 { return 0.35 * math.Pow(1.055, float64(i)) }

// A new panel with a maximum-power charger gives about 0.88 of its label at the battery,
// after wiring, mismatch, dirt and the charger (common practice), give or take 20 %.
const usualFactor, usualFactorSD = 0.88, 0.2

func startPanel() Panel {
	var p Panel
	for i := range p.LogW {
		p.LogW[i] = priorLog(i)
	}
	return p
}

func priorLog(i int) float64 {
	d := math.Log(factorAt(i)/usualFactor) / usualFactorSD
	return -d * d / 2
}

// panelFade is a day's weight after the next day: half is forgotten in 62 days.
const panelFade = 1 - 1.0/90

// learn weighs each factor by how well it makes the day's energy a likely one: like is the
// density of the energy given the factor, peak the best hour against a clear one by the
// label. No hour gives much more than a clear one does.
func (p *Panel) learn(like func(factor float64) float64, peak, weight float64) {
	for i := range p.LogW {
		f := factorAt(i)
		add := math.Log(max(like(f), 1e-4)) * 0.6 // days come in runs: a day is worth less than a day
		if over := peak/f - 1.12; over > 0 {
			add -= min(8, over*over/(2*0.08*0.08))
		}
		p.LogW[i] = priorLog(i) + panelFade*(p.LogW[i]-priorLog(i)) + weight*add
	}
	top := p.LogW[0]
	for _, x := range p.LogW {
		top = max(top, x)
	}
	for i := range p.LogW {
		p.LogW[i] = max(p.LogW[i]-top, -60)
	}
	p.Days = p.Days*panelFade + weight
}

// factor is the mean of the panel factor and its relative doubt.
func (p *Panel) factor() (mean, sd float64) {
	var w, a, b float64
	for i, x := range p.LogW {
		e, l := math.Exp(x), math.Log(factorAt(i))
		w += e
		a += e * l
		b += e * l * l
	}
	a /= w
	return math.Exp(a), math.Sqrt(max(b/w-a*a, 0.0001))
}
