package sky

import "math"

// Days is a joint normal distribution of the scores of consecutive days.
type Days struct {
	Mean []float64
	Cov  [][]float64
}

// DayForecast is what a forecast says of one day: its own score of the day, and how such a score
// came out before.
type DayForecast struct {
	Day        int // index into [Days]
	Issue      int // day of its issue; only differences count
	Score      float64
	Regression Regression
}

// Given is the distribution after forecasts were heard: the forecasts are taken as noisy
// observations whose errors go together as the bond says. A service that changes its mind
// at random is worth more when its older forecasts are weighed in; one that sticks to what it
// said is not.
func (d Days) Given(forecasts []DayForecast, bond Correlation) Days {
	n, w := len(d.Mean), len(forecasts)
	if w == 0 {
		return d
	}
	s := square(w) // covariance of the forecasts
	g := make([][]float64, n)
	miss := make([]float64, w)
	shared := bond.table()
	for a, x := range forecasts {
		miss[a] = x.Score - x.Regression.Bias - x.Regression.Slope*d.Mean[x.Day]
		for b, y := range forecasts {
			both := shared[apart(x.Day, y.Day)][apart(x.Issue, y.Issue)]
			s[a][b] = x.Regression.Slope*y.Regression.Slope*d.Cov[x.Day][y.Day] + both*x.Regression.SD*y.Regression.SD
		}
		s[a][a] += 1e-6
	}
	for i := range n {
		g[i] = make([]float64, w)
		for a, x := range forecasts {
			g[i][a] = d.Cov[i][x.Day] * x.Regression.Slope
		}
	}
	return d.reduce(cholesky(s), g, miss)
}

func apart(a, b int) int { return min(max(a-b, b-a), Leads-1) }

// reduce conditions on observations whose covariance has the factor l, whose covariance
// with the days is g, and which came out by miss above what was expected.
func (d Days) reduce(l, g [][]float64, miss []float64) Days {
	n, w := len(d.Mean), len(miss)
	out := Days{Mean: make([]float64, n), Cov: square(n)}
	h := make([][]float64, n) // l^-1 g^T, by rows of g
	for i := range n {
		h[i] = forward(l, g[i])
	}
	e := forward(l, miss)
	for i := range n {
		out.Mean[i] = d.Mean[i]
		for a := range w {
			out.Mean[i] += h[i][a] * e[a]
		}
		for j := range n {
			out.Cov[i][j] = d.Cov[i][j]
			for a := range w {
				out.Cov[i][j] -= h[i][a] * h[j][a]
			}
		}
	}
	return out
}

// Factor is the lower triangle that turns independent standard normals into the days'
// deviations from their means.
func (d Days) Factor() [][]float64 { return cholesky(d.Cov) }

func square(n int) [][]float64 {
	flat := make([]float64, n*n)
	m := make([][]float64, n)
	for i := range n {
		m[i] = flat[i*n : (i+1)*n]
	}
	return m
}

// cholesky factors a covariance; a direction without variance gets a column of zeros.
func cholesky(c [][]float64) [][]float64 {
	n := len(c)
	l := square(n)
	for i := range n {
		for j := 0; j <= i; j++ {
			x := c[i][j]
			for k := range j {
				x -= l[i][k] * l[j][k]
			}
			switch {
			case i == j:
				l[i][i] = math.Sqrt(max(x, 0))
			case l[j][j] > 1e-9:
				l[i][j] = x / l[j][j]
			}
		}
	}
	return l
}

// forward solves l x = b.
func forward(l [][]float64, b []float64) []float64 {
	x := make([]float64, len(b))
	for i := range b {
		s := b[i]
		for k := range i {
			s -= l[i][k] * x[k]
		}
		if l[i][i] > 1e-9 {
			x[i] = s / l[i][i]
		}
	}
	return x
}
