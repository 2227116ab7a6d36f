package sky

import (
	"math"
	"math/rand/v2"
	"testing"
)

// issued draws what a service says of a day, lead by lead from the latest issue on: its
// errors in successive issues have a part that stays and one that is drawn anew.
func issued(truth, stick float64, rng *rand.Rand) (score [Leads]float64, known [Leads]bool) {
	kept := 0.0
	for lead := 7; lead >= 1; lead-- {
		kept = stick*kept + math.Sqrt(1-stick*stick)*rng.NormFloat64()
		r := usualSkill()[lead]
		score[lead], known[lead] = r*truth+math.Sqrt(1-r*r)*kept, true
	}
	return score, known
}

// A service that draws its errors anew in each issue is worth more with its older forecasts; of
// one that sticks to what it said they are worth nothing. Both are found out, and in both
// the doubt that is left is the doubt there is.
func TestOlderIssuesAreWeighed(t *testing.T) {
	t.Parallel()
	for _, stick := range []float64{0, 0.7, 0.9} {
		rng := rand.New(rand.NewPCG(7, uint64(100*stick)))
		var s Skill
		var sq1, sqAll, said float64
		const days, learning = 1500, 700
		for day := range days {
			truth := rng.NormFloat64()
			score, known := issued(truth, stick, rng)
			var miss [Leads]float64
			forecasts := []DayForecast{}
			for lead := 1; lead <= 7; lead++ {
				line := s.Regression(lead)
				miss[lead] = (score[lead] - line.Bias - line.Slope*truth) / line.SD
				if lead >= 3 {
					forecasts = append(forecasts, DayForecast{Issue: -lead, Score: score[lead], Regression: line})
				}
			}
			if day >= learning {
				one := Begin(0).Ahead(1).Given(forecasts[:1], s.Tie.Correlation())
				all := Begin(0).Ahead(1).Given(forecasts, s.Tie.Correlation())
				sq1 += sq(truth - one.Mean[0])
				sqAll += sq(truth - all.Mean[0])
				said += all.Cov[0][0]
			}
			for lead := 1; lead <= 7; lead++ {
				s = s.Learn(lead, score[lead], truth, 1)
			}
			s.Tie = s.Tie.Missed(miss, known, false)
		}
		gain := sqAll / sq1
		t.Logf("stick %.1f: bond %+v, error² with the older issues %.2f of that without, stated %.2f of what it was", stick, s.Tie.Correlation(), gain, said/sqAll)
		if want := 0.85; stick == 0 && gain > want {
			t.Errorf("errors drawn anew: error² is %.2f of that of the last issue alone, want at most %.2f", gain, want)
		}
		if gain > 1.03 {
			t.Errorf("errors that stay by %.1f: error² grew to %.2f by the older issues", stick, gain)
		}
		if r := said / sqAll; r < 0.85 || r > 1.2 {
			t.Errorf("errors that stay by %.1f: stated variance is %.2f of what came", stick, r)
		}
	}
}

// The width of a site's days is learned for each half of the year by itself.
func TestWidthIsLearned(t *testing.T) {
	t.Parallel()
	var w Width
	near(t, "before", w.At(1), usualWidth, 1e-9)
	rng := rand.New(rand.NewPCG(8, 8))
	for day := range 1200 {
		season := math.Cos(2 * math.Pi * float64(day) / 365)
		x := rng.NormFloat64() * math.Sqrt(0.7+0.3*season)
		w = w.Learn(season, x*x)
	}
	// The halves overlap, so each learns a little of the other: 0.85 and 0.55 without a prior.
	near(t, "winter", w.At(1), 0.85, 0.12)
	near(t, "summer", w.At(-1), 0.6, 0.12)
}
