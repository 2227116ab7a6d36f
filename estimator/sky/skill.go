package sky

import "math"

// Leads is how many days ahead a forecast is followed: the day of its issue and those after.
const Leads = 11

// Regression says how a forecast's score for a day follows the day's true score:
// forecast = Bias + Slope × truth + an error of SD.
type Regression struct {
	Bias, Slope, SD float64
}

// Sums are fading sums over days that came true.
type Sums struct {
	N, F, Z, FF, FZ, ZZ float64
}

// Skill is what has been learned of a forecast service at this site, by lead in days.
type Skill struct {
	Lead [Leads]Sums
	Tie  ErrorTies
}

// usualSkill is the correlation between a forecast and the day that came, by lead, before
// anything was learned: a little below what good services reach in the open literature
// (common practice).
func usualSkill() [Leads]float64 {
	return [Leads]float64{0.93, 0.90, 0.85, 0.77, 0.67, 0.55, 0.43, 0.33, 0.22, 0.15, 0.10}
}

const (
	skillFade  = 1 - 1.0/150 // a day's weight after the next day
	skillPrior = 20.0        // days that the usual skill is worth
)

// Learn takes in a day that came true: what was forecast at a lead, the score that was
// seen, and the weight from 0 to 1 of that seeing.
func (s Skill) Learn(lead int, forecast, seen, weight float64) Skill {
	if lead < 0 || lead >= Leads || math.IsNaN(forecast) || math.IsNaN(seen) {
		return s
	}
	k := &s.Lead[lead]
	for _, x := range []*float64{&k.N, &k.F, &k.Z, &k.FF, &k.FZ, &k.ZZ} {
		*x *= 1 - weight*(1-skillFade)
	}
	k.N += weight
	k.F += weight * forecast
	k.Z += weight * seen
	k.FF += weight * forecast * forecast
	k.FZ += weight * forecast * seen
	k.ZZ += weight * seen * seen
	return s
}

// Regression is the learned relation at a lead. The prior stands in as a number of days on which
// forecast and truth had the usual correlation, both with mean 0 and variance 1.
func (s Skill) Regression(lead int) Regression {
	lead = max(0, min(Leads-1, lead))
	k, r := s.Lead[lead], usualSkill()[lead]
	n := k.N + skillPrior
	mf, mz := k.F/n, k.Z/n
	ff := max((k.FF+skillPrior)/n-mf*mf, 0.02)
	zz := max((k.ZZ+skillPrior)/n-mz*mz, 0.02)
	fz := (k.FZ+skillPrior*r)/n - mf*mz
	if fz <= 0 {
		return Regression{Bias: mf, SD: math.Sqrt(ff)}
	}
	slope := fz / zz
	return Regression{Bias: mf - slope*mz, Slope: slope, SD: math.Sqrt(max(ff-slope*fz, 0.01))}
}
