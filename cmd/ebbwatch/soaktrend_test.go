package main

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// held is what one life of the daemon held on to at an hour since the epoch: goroutines,
// descriptors, megabytes that are resident, that are its own alone, and that live on the heap.
type held struct {
	life int
	hour float64
	x    [5]float64
}

// heldOf reads what the daemons of a soak wrote down. A line that a kill cut short is left out.
func heldOf(dir string) (out []held, err error) {
	text, err := os.ReadFile(filepath.Join(dir, "use"))
	if err != nil {
		return nil, err
	}
	for line := range strings.Lines(string(text)) {
		var h held
		n, _ := fmt.Sscan(line, &h.life, &h.hour, &h.x[0], &h.x[1], &h.x[2], &h.x[3], &h.x[4])
		if n < 7 || !strings.HasSuffix(line, "\n") {
			continue
		}
		h.x[2], h.x[3], h.x[4] = h.x[2]/1e6, h.x[3]/1e6, h.x[4]/1e6
		out = append(out, h)
	}
	return out, nil
}

// warmUp is how many hours of a life do not count: what is filled once is no leak.
const warmUp = 3

// trend is how much something grows an hour within a life, with its standard error.
type trend struct {
	perHour, err float64
	mean         float64
	hours        int // that it rests on, of so many lives
	lives        int
}

// String says it as what it would come to in the length of a soak.
func (r trend) String() string {
	return fmt.Sprintf("mean %.1f, grows by %+.2f ± %.2f in 72 h (%d hours of %d lives)", r.mean, 72*r.perHour, 72*r.err, r.hours, r.lives)
}

// leaks tells whether it surely grows, by more than what may be in the length of a soak.
func (r trend) leaks(most float64) bool { return 72*(r.perHour-3*r.err) > 0 && 72*r.perHour > most }

// vague tells whether a growth twice what may be could have gone unseen.
func (r trend) vague(most float64) bool { return !(72*3*r.err < 2*most) }

// trendOf fits one slope to all lives, each with a level of its own, by least squares over
// means of an hour: neighbours are alike, and would make the slope look surer than it is.
func trendOf(samples []held, of int) trend {
	first := map[int]float64{}
	type cell struct{ life, hour int }
	sums, counts := map[cell]float64{}, map[cell]float64{}
	for _, s := range samples {
		if _, seen := first[s.life]; !seen {
			first[s.life] = s.hour
		}
		if s.hour-first[s.life] >= warmUp {
			c := cell{s.life, int(s.hour)}
			sums[c] += s.x[of]
			counts[c]++
		}
	}
	lives := map[int][][2]float64{}
	for c, sum := range sums {
		lives[c.life] = append(lives[c.life], [2]float64{float64(c.hour), sum / counts[c]})
	}
	var r trend
	var sxx, sxy, syy, total float64
	for _, points := range lives {
		if len(points) < 2 {
			continue
		}
		r.lives++
		var mx, my float64
		for _, p := range points {
			mx, my, total = mx+p[0]/float64(len(points)), my+p[1]/float64(len(points)), total+p[1]
		}
		for _, p := range points {
			r.hours++
			sxx, sxy, syy = sxx+(p[0]-mx)*(p[0]-mx), sxy+(p[0]-mx)*(p[1]-my), syy+(p[1]-my)*(p[1]-my)
		}
	}
	r.mean, r.perHour = total/float64(r.hours), sxy/sxx
	r.err = math.Sqrt(max(0, syy-sxy*sxy/sxx) / float64(r.hours-r.lives-1) / sxx)
	return r
}

// The judge of leaks is tried on what is known: a leak is seen through noise and kills, and
// what is noisy, warms up, or starts higher in each life is none.
func TestTrend(t *testing.T) {
	t.Parallel()
	dice := rand.New(rand.NewPCG(3, 4))
	for _, tt := range []struct {
		name  string
		x     func(life int, age float64) float64
		leaks bool
	}{
		{"flat", func(int, float64) float64 { return 20 }, false},
		{"noise", func(int, float64) float64 { return 20 + 3*dice.NormFloat64() }, false},
		{"two in a day", func(_ int, age float64) float64 { return 20 + age/12 + 3*dice.NormFloat64() }, true},
		{"warms up", func(_ int, age float64) float64 { return 20 + 10*min(age, warmUp) + dice.NormFloat64() }, false},
		{"each life starts higher", func(life int, _ float64) float64 { return 20 + 5*float64(life) }, false},
		{"one in three days", func(_ int, age float64) float64 { return 20 + age/72 }, false},
	} {
		var samples []held
		for life, span := range [][2]float64{{0, 4}, {4, 12}, {12, 48}, {48, 72}} {
			for hour := span[0]; hour < span[1]; hour += 1.0 / 12 {
				samples = append(samples, held{life: life, hour: hour, x: [5]float64{tt.x(life, hour-span[0])}})
			}
		}
		r := trendOf(samples, 0)
		if r.leaks(3) != tt.leaks || r.vague(3) || r.lives < 3 {
			t.Errorf("%s: %v, a leak: %v, vague: %v", tt.name, r, r.leaks(3), r.vague(3))
		}
	}
	if r := trendOf(nil, 0); r.leaks(3) || !r.vague(3) {
		t.Errorf("of nothing: %v", r)
	}
}
