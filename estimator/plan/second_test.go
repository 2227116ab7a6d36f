package plan

import (
	"math"
	"math/rand/v2"
	"testing"

	"ebbwatch/estimator/plan/plantest"
)

// A second model of the same question, written by itself: no worked example of stand-alone
// sizing was found in public text. It shares nothing with the first but the kit's numbers.
// The sun's place is Cooper's, the day's light is spread over the hours by the correlation
// of Collares-Pereira and Rabl (diffuse light by that of Liu and Jordan), the sky is isotropic, the battery is a box of energy with
// one efficiency, and the days come from the published transition matrices (Aguiar et al.
// 1988) instead of the Gaussian process.
type second struct {
	latitude, tilt     float64 // radians
	peak, store, load  float64 // W, Wh, W
	factor, efficiency float64
	cut, back          float64 // Wh
}

func (s second) day(n int) (declination, sunset, top float64) {
	declination = 23.45 * math.Pi / 180 * math.Sin(2*math.Pi*float64(284+n)/365)
	sunset = math.Acos(max(-1, min(1, -math.Tan(s.latitude)*math.Tan(declination))))
	e := 1 + 0.033*math.Cos(2*math.Pi*float64(n)/365)
	top = 24 / math.Pi * 1.367 * e * (math.Cos(s.latitude)*math.Cos(declination)*math.Sin(sunset) + sunset*math.Sin(s.latitude)*math.Sin(declination))
	return declination, sunset, top
}

// hourly is the harvest of the 24 hours of a day with a clearness, Wh.
func (s second) hourly(n int, kt float64) (out [24]float64) {
	decl, ws, top := s.day(n)
	whole := kt * top * 1000
	a := 0.409 + 0.5016*math.Sin(ws-math.Pi/3)
	b := 0.6609 - 0.4767*math.Sin(ws-math.Pi/3)
	for h := range 24 {
		w := (float64(h) + 0.5 - 12) * math.Pi / 12
		if math.Abs(w) >= ws {
			continue
		}
		share := math.Pi / 24 * (math.Cos(w) - math.Cos(ws)) / (math.Sin(ws) - ws*math.Cos(ws))
		global := whole * share * (a + b*math.Cos(w))
		sinE := math.Sin(s.latitude)*math.Sin(decl) + math.Cos(s.latitude)*math.Cos(decl)*math.Cos(w)
		diffuse := min(global, whole*erbsDaily(kt, ws)*share)
		cosT := math.Sin(decl)*math.Sin(s.latitude-s.tilt) + math.Cos(decl)*math.Cos(s.latitude-s.tilt)*math.Cos(w)
		plane := (global-diffuse)*max(0, cosT)/max(sinE, 0.05) + diffuse*(1+math.Cos(s.tilt))/2 + 0.2*global*(1-math.Cos(s.tilt))/2
		cell := 10 + 25.0/800*plane
		out[h] = s.peak * plane / 1000 * (1 - 0.0035*(cell-25)) * s.factor
	}
	return out
}

// erbsDaily is the diffuse share of a day. Source: Erbs, Klein & Duffie 1982, the daily
// form, from memory of Duffie & Beckman eq. 2.11.1.
func erbsDaily(k, sunset float64) float64 {
	if sunset <= 81.4*math.Pi/180 {
		if k < 0.715 {
			return 1 - 0.2727*k + 2.4495*k*k - 11.9514*k*k*k + 9.3879*k*k*k*k
		}
		return 0.143
	}
	if k < 0.722 {
		return 1 + 0.2832*k - 2.5557*k*k + 0.8448*k*k*k
	}
	return 0.175
}

// year gives the dark share of a year, beginning full on 1 July.
func (s second) year(kt func(n int) float64) float64 {
	level, dark, lost := s.store, false, 0
	for d := range 365 {
		n := (181+d)%365 + 1
		for _, sun := range s.hourly(n, kt(n)) {
			load := s.load
			if dark {
				lost++
				load *= 0.02
			}
			if net := sun - load; net > 0 {
				level = min(s.store, level+net*s.efficiency)
			} else {
				level = max(0, level+net)
			}
			dark = level <= s.cut || dark && level < s.back
		}
	}
	return float64(lost) / 8760
}

// chain draws days by the published matrices.
type chain struct {
	matrices []plantest.Matrix
	monthly  [12]float64
	state    float64 // place of yesterday's clearness within its matrix, 0 to 1
	rng      *rand.Rand
}

func (c *chain) next(month int) float64 {
	m := c.matrices[classOf(c.monthly[month])]
	row := m.Rows[min(9, int(c.state*10))]
	u := c.rng.Float64()
	total := 0.0
	for _, p := range row {
		total += p
	}
	u *= total
	for i, p := range row {
		if u <= p && p > 0 {
			c.state = (float64(i) + u/p) / 10
			break
		}
		u -= p
	}
	c.state = min(0.99999, c.state)
	return m.Low + c.state*(m.High-m.Low)
}

// scale is what a month's drawn days are multiplied by to have the month's own mean.
func (c *chain) scale(month int) float64 {
	sum := 0.0
	const n = 20000
	for range n {
		sum += c.next(month)
	}
	return c.monthly[month] * n / sum
}

// classOf is the matrix for a month's mean clearness.
func classOf(kt float64) int { return max(0, min(9, int(math.Ceil((kt-0.30)/0.05-1e-9)))) }

// nodes are those that both models size.
func nodes() [6][3]float64 { // W of panel, Ah, W of load
	return [6][3]float64{{240, 80, 10}, {240, 160, 10}, {240, 40, 5}, {360, 200, 14}, {150, 100, 5}, {480, 120, 12}}
}

func secondOf(n [3]float64) second {
	usable := 0.9 * n[1] * 13.1 // Wh, at the voltage of rest in the middle
	return second{
		latitude: 52.75 * math.Pi / 180, tilt: math.Pi / 3, peak: n[0], store: usable, load: n[2],
		factor: 0.88, efficiency: 0.97, cut: 0.03 * usable, back: 0.15 * usable,
	}
}

func tryOf(n [3]float64) Try { return Try{Panel: n[0] / 240, Battery: n[1] / 80, Load: n[2] / 10} }

// Under the same days of clearness both models harvest the same within 5 %. Given the same
// harvest they lose the same load within a factor of 1.3, and of 1.5 below one per cent: a few per cent of harvest, which
// the isotropic sky costs the second model, are a fifth of the loss and more.
func TestSecondModelUnderTheSameSkies(t *testing.T) {
	t.Parallel()
	y := someYear(nil)
	drawn := y.Synthetic(80, 5)
	for _, n := range nodes() {
		s := secondOf(n)
		var a, b float64
		for i := range 10 {
			for d := range Days {
				a += float64(y.daily[d].At(drawn[i].Place[d])) * n[0] / 240 / 10
				for _, x := range s.hourly((181+d)%365+1, float64(drawn[i].GHI[d])/y.top[d]) {
					b += x / 10
				}
			}
		}
		s.peak *= a / b
		first, other := y.LLP(drawn, tryOf(n)), 0.0
		for i := range drawn {
			d := -1
			other += s.year(func(int) float64 {
				d++
				return float64(drawn[i].GHI[d]) / y.top[d]
			}) / float64(len(drawn))
		}
		t.Logf("%v: loss of load %.4f, by the second model %.4f, factor %.2f; harvest %.0f and %.0f kWh", n, first, other, first/other, a/1000, b/1000)
		if r := a / b; r > 1.05 || r < 1/1.05 {
			t.Errorf("%v: harvest %.0f against %.0f kWh", n, a/1000, b/1000)
		}
		most := 1.3
		if other < 0.01 {
			most = 1.5
		}
		if r := first / other; r > most || r < 1/most {
			t.Errorf("%v: %.4f against %.4f", n, first, other)
		}
	}
}

// Under skies of its own, from the matrices, the second model agrees within a factor of 1.5
// where 1 % or more is lost, and within 3 below: rarer losses hang on runs of the darkest
// days, of which the matrices have fewer.
func TestSecondModelUnderItsOwnSkies(t *testing.T) {
	t.Parallel()
	matrices := plantest.Transitions(t)
	y := someYear(nil)
	drawn := y.Synthetic(100, 5)
	var monthly, scale [12]float64
	for m, day := range []int{15, 46, 74, 105, 135, 166, 196, 227, 258, 288, 319, 349} {
		_, _, top := secondOf(nodes()[0]).day(day)
		monthly[m] = lowland()[m] / top
	}
	probe := &chain{matrices: matrices, monthly: monthly, state: 0.5, rng: rand.New(rand.NewPCG(4, 2))}
	for m := range scale {
		scale[m] = probe.scale(m)
	}
	for _, n := range nodes() {
		s := secondOf(n)
		first, other := y.LLP(drawn, tryOf(n)), 0.0
		const years = 60
		for i := range years {
			ch := &chain{matrices: matrices, monthly: monthly, state: 0.5, rng: rand.New(rand.NewPCG(9, uint64(i)))}
			other += s.year(func(day int) float64 {
				m := min(11, (day-1)*12/365)
				return scale[m] * ch.next(m)
			}) / years
		}
		t.Logf("%v: loss of load %.4f, by the second model %.4f, factor %.2f", n, first, other, first/other)
		r := first / other
		most := 1.5
		if other < 0.01 {
			most = 3
		}
		if r > most || r < 1/most {
			t.Errorf("%v: %.4f against %.4f", n, first, other)
		}
	}
}

// The class of a month and the mean that its matrix comes back to. Source: Aguiar et al.
// 1988, as transcribed; each matrix's own mean lies in its class.
func TestClassesOfTheMatrices(t *testing.T) {
	t.Parallel()
	for kt, want := range map[float64]int{0.25: 0, 0.30: 0, 0.31: 1, 0.42: 3, 0.70: 8, 0.71: 9} {
		if got := classOf(kt); got != want {
			t.Errorf("class of %.2f is %d, want %d", kt, got, want)
		}
	}
}

func BenchmarkWinters(b *testing.B) {
	y := someYear(nil)
	years := y.Synthetic(200, 1)
	for b.Loop() {
		y.Run(years, Try{})
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/(200*hours), "ns/hour")
}

func BenchmarkPrepare(b *testing.B) {
	k := aKit(52.75, 6.57, lowland(), nil)
	for b.Loop() {
		k.Prepare(1)
	}
}
