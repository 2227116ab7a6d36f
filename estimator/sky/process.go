package sky

import "math"

// The process: a score is Fast + Slow + Site + Season·Swing. Fitted to the correlations named
// in the package's text; Fast and Slow together have the variance of [Width]. In winter weather
// passes faster than in summer: less of it is Slow. The site's offset comes back to what was
// given as the climate over about 500 days. Swing is how much clearer the site's winters are,
// against its summers, than that climate has it; it is learned over years.
const (
	fastPhi, slowPhi, sitePhi = 0.18, 0.70, 0.998
	swingPhi                  = 0.9995
	swingShare                = 0.6        // doubt of the swing against that of the offset
	slowShare, slowSeason     = 0.20, 0.10 // of the variance; how far it swings with the season
	// siteWander is how far a site's offset wanders by itself, however unsure it was at
	// first: years differ, trees grow, and a month's mean is not quite that of its days.
	siteWander = 0.08
)

const parts = 4

// Process is what is believed of the sky on one day: the parts of its score and their
// covariance. It is plain data.
type Process struct {
	X        [parts]float64 // fast, slow, site, swing
	P        [parts][parts]float64
	SiteVar  float64 // of the site's offset when nothing is seen for very long
	SwingVar float64 // of the swing
	Season   float64 // 1 in the depth of winter, -1 at the height of summer
	Scale    float64 // of the variance of Fast and Slow; 0 is 1
}

// Begin is the process before anything was seen, with a doubt about the site's mean.
func Begin(siteSD float64) Process {
	p := Process{}
	fast, slow := p.weather()
	p.SwingVar = sq(swingShare * siteSD)
	p.P[0][0], p.P[1][1], p.P[2][2], p.P[3][3] = fast, slow, siteSD*siteSD, p.SwingVar
	p.SiteVar = min(siteSD*siteSD, sq(siteWander+0.2*max(siteSD-0.15, 0)))
	return p
}

func sq(x float64) float64 { return x * x }

func phis() [parts]float64 { return [parts]float64{fastPhi, slowPhi, sitePhi, swingPhi} }

// load is what each part adds to the day's score.
func (p *Process) load() [parts]float64 { return [parts]float64{1, 1, 1, p.Season} }

// gains are the covariances of the parts with the day's score.
func (p *Process) gains() (g [parts]float64) {
	load := p.load()
	for i := range parts {
		for j := range parts {
			g[i] += p.P[i][j] * load[j]
		}
	}
	return g
}

// weather is the variances of Fast and Slow in the season.
func (p *Process) weather() (fast, slow float64) {
	share, scale := slowShare-slowSeason*p.Season, p.Scale
	if scale == 0 {
		scale = 1
	}
	return (1 - share) * scale, share * scale
}

func (p *Process) noise() [parts]float64 {
	fast, slow := p.weather()
	return [parts]float64{
		fast * (1 - fastPhi*fastPhi), slow * (1 - slowPhi*slowPhi), p.SiteVar * (1 - sitePhi*sitePhi), p.SwingVar * (1 - swingPhi*swingPhi),
	}
}

// Next moves on by one day.
func (p Process) Next() Process {
	f, q := phis(), p.noise()
	for i := range parts {
		p.X[i] *= f[i]
		for j := range parts {
			p.P[i][j] *= f[i] * f[j]
		}
		p.P[i][i] += q[i]
	}
	return p
}

// See takes in the day's score as it was seen, with the variance of the seeing.
func (p Process) See(score, variance float64) Process {
	g := p.gains()
	expected, own := p.Score()
	s := own + variance
	if !(s > 0) {
		return p
	}
	for i := range parts {
		p.X[i] += g[i] / s * (score - expected)
	}
	for i := range parts {
		for j := range parts {
			p.P[i][j] -= g[i] * g[j] / s
		}
	}
	return p
}

// SeeAbove takes in that the day's score was at least so much: the battery was full before
// the day had shown all it had. Without this only dull days would teach. The truncated
// normal is replaced by the one of the same mean and variance.
func (p Process) SeeAbove(bound float64) Process {
	mean, variance := p.Score()
	sd := math.Sqrt(variance)
	a := (bound - mean) / sd
	if !(sd > 0) || a < -4 {
		return p
	}
	a = min(a, 4)
	l := math.Exp(-a*a/2) / math.Sqrt(2*math.Pi) / (1 - Phi(a))
	keep := 1 - l*(l-a)
	g := p.gains()
	for i := range parts {
		g[i] /= variance
		p.X[i] += g[i] * sd * l
	}
	for i := range parts {
		for j := range parts {
			p.P[i][j] -= g[i] * g[j] * variance * (1 - keep)
		}
	}
	return p
}

// Score is the mean and the variance of the day's score.
func (p Process) Score() (mean, variance float64) {
	load, g := p.load(), p.gains()
	for i := range parts {
		mean += load[i] * p.X[i]
		variance += load[i] * g[i]
	}
	return mean, variance
}

// Ahead is the joint distribution of the scores of this day and the n-1 after it.
func (p Process) Ahead(n int) Days {
	d := Days{Mean: make([]float64, n), Cov: make([][]float64, n)}
	for i := range n {
		d.Cov[i] = make([]float64, n)
	}
	f, load := phis(), p.load()
	for i := range n {
		d.Mean[i], d.Cov[i][i] = p.Score()
		g := p.gains()
		for j := i + 1; j < n; j++ {
			for k := range parts {
				g[k] *= f[k]
				d.Cov[i][j] += load[k] * g[k]
			}
			d.Cov[j][i] = d.Cov[i][j]
		}
		p = p.Next()
	}
	return d
}
