package sky

import (
	"math"
	"time"

	"ebbwatch/estimator/sun"
)

// Climate is what is believed of a place before its panel has seen anything.
type Climate struct {
	Kt [12]float64 // mean clearness index by month
	SD float64     // doubt about the means, in standard normal scores of a day
}

// midMonth is the calendar's 15th, the day for which a month's mean stands.
func midMonth() [12]int { return [12]int{15, 46, 74, 105, 135, 166, 196, 227, 258, 288, 319, 349} }

// FromInsolation makes a climate of twelve monthly means of the daily global horizontal
// irradiation, kWh/m², of which [CheckInsolation] found nothing wrong. Months in which the sun
// hardly rises take their clearness from [Usual].
func FromInsolation(monthly []float64, lat float64) Climate {
	c := Usual(lat)
	if len(monthly) != 12 {
		return c
	}
	c.SD = 0.15
	for i, n := range midMonth() {
		if top := sun.DailyExtraterrestrial(n, lat); top > sunless && monthly[i] > 0 {
			c.Kt[i] = max(leastKt, min(mostKt, monthly[i]/top))
		}
	}
	return c
}

// Usual is a rough climate for a latitude where the owner gives none: means of the winter
// and the summer half year, with a cosine between. From memory of world maps, for lowland with
// a maritime winter; a desert, a monsoon or a dry cold winter is far from it, and the doubt is
// set to match. The panel's own record takes over within weeks.
func Usual(lat float64) Climate {
	bands := [...][3]float64{ // latitude, deep winter, high summer
		{0, 0.50, 0.50}, {15, 0.56, 0.52}, {30, 0.53, 0.58}, {40, 0.44, 0.56}, {47, 0.33, 0.50}, {53, 0.27, 0.47}, {60, 0.23, 0.45}, {90, 0.25, 0.45},
	}
	at := math.Abs(lat)
	i := 0
	for i < len(bands)-2 && at > bands[i+1][0] {
		i++
	}
	f := (at - bands[i][0]) / (bands[i+1][0] - bands[i][0])
	winter := bands[i][1] + f*(bands[i+1][1]-bands[i][1])
	summer := bands[i][2] + f*(bands[i+1][2]-bands[i][2])
	c := Climate{SD: 0.5}
	for m, n := range midMonth() {
		high := 0.5 - 0.5*math.Cos(2*math.Pi*float64(n+10)/365)
		if lat < 0 {
			high = 1 - high
		}
		c.Kt[m] = winter + high*(summer-winter)
	}
	return c
}

// At is the spread of the days around a moment: the mean is drawn between the middles of
// the months.
func (c Climate) At(t time.Time) Marginal {
	n, mid := t.UTC().YearDay(), midMonth()
	i := 11
	for i >= 0 && mid[i] > n {
		i--
	}
	a, b := (i+12)%12, (i+1)%12
	span, from := (mid[b]-mid[a]+365)%365, (n-mid[a]+365)%365
	f := float64(from) / float64(span)
	return Spread(c.Kt[a] + f*(c.Kt[b]-c.Kt[a]))
}
