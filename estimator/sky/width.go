package sky

// Width follows how widely a site's scores vary against the spread that the month's mean
// gives them, in winter and in summer: a desert's days are more alike than that, a coast's
// are as well. It learns from how far each day came out from what was expected of it.
type Width struct {
	N, Sum [2]float64 // winter, summer: days, and their squared misses against the expected
}

const (
	usualWidth = 1.0 // a little less at two lowland stations, but spells vary more than days
	widthPrior = 100.0
	widthFade  = 1 - 1.0/300
)

// Learn takes in a day that was seen whole: how likely it was winter (as [Process].Season),
// and the square of its miss against the variance that was expected with width 1.
func (w Width) Learn(season, ratio float64) Width {
	for i, part := range seasons(season) {
		keep := 1 - part*(1-widthFade)
		w.N[i] = w.N[i]*keep + part
		w.Sum[i] = w.Sum[i]*keep + part*min(ratio, 8)
	}
	return w
}

// At is the variance of the scores in a season.
func (w *Width) At(season float64) float64 {
	x := 0.0
	for i, part := range seasons(season) {
		x += part * (w.Sum[i] + widthPrior*usualWidth) / (w.N[i] + widthPrior)
	}
	return max(0.3, min(1.15, x))
}

func seasons(season float64) [2]float64 { return [2]float64{(1 + season) / 2, (1 - season) / 2} }
