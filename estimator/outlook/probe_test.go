package outlook

import (
	"math"
	"math/rand/v2"
	"os"
	"testing"
	"time"
)

func TestProbe(t *testing.T) {
	if os.Getenv("EBBWATCH_STUDY") == "" {
		t.Skip("skipped: needs EBBWATCH_STUDY=1 (minutes)")
	}
	w, s := station(t, "279"), measuredShapes(t)
	n := studyNodes()["b small"]
	if os.Getenv("TILT") != "" {
		n.tilt = 30
	}
	hours := w.truth(n, s, 11)
	rng := rand.New(rand.NewPCG(11, 1))
	pot := make([]float64, len(w.ghi)) // potential
	for d := range w.ghi {
		l := w.light(d, n, s, rng)
		rng.NormFloat64()
		for _, x := range l {
			pot[d] += x
		}
	}
	m := Model{Site: Site{Latitude: w.lat, Longitude: w.lon, WattsPeak: n.watts, TiltDeg: n.tilt, AzimuthDeg: n.azimuth, MPPT: true, Zone: time.UTC}}
	m.Battery.CapacityAh, m.Battery.Cells, m.Battery.CutoffVolts, m.Battery.Reserve = n.ah, 4, 11.6, .2
	m.Site.Insolation = w.insolation(10)
	e := &believer{rng: rand.New(rand.NewPCG(1, 3))}
	state := m.Start()
	p := m.plant()
	type acc struct{ n, pred, act, f, z, zz, site, share, zr, zzr float64 }
	var by [13]acc
	pit := map[int]*[10]int{3: {}, 5: {}, 7: {}, 1: {}}
	for h := range hours {
		at := w.first.Add(time.Duration(h+1) * time.Hour)
		b := e.believe(n, hours[h])
		state = m.Step(state, hours[h].reading(at), b)
		d := h / 24
		if h%24 == 17 && d > 365 && d < len(w.ghi)-12 {
			a := &by[w.day(d).Month()]
			if mo := w.day(d).Month(); d%3 != 0 || mo > 2 && mo < 11 {
				continue
			}
			f := m.Draw(&state, b, at, nil, uint64(h))
			pl := f.plan(&Action{})
			for _, days := range []int{1, 3, 5, 7} {
				act, below := 0.0, 0
				for k := 1; k <= days; k++ {
					act += pot[d+k]
				}
				for i := range f.path {
					sum := 0.0
					for hh := range steps {
						if k := int(f.dayOf[hh]); k >= 1 && k <= days {
							sum += float64(f.sunAt(&f.path[i], hh, pl))
						}
					}
					if sum < act {
						below++
					}
					if days == 5 {
						a.pred += sum / Paths
					}
				}
				if days == 5 {
					a.act += act
				}
				pit[days][min(9, below*10/Paths)]++
			}
			fac, _ := state.Panel.factor()
			a.f += fac
			a.n++
			a.site += state.Sky.X[2]
			if seen := m.seen(&state, &p); seen.share > 0.12 {
				a.z += seen.score
				a.zz += seen.score * seen.score
				a.share++
				zt := m.climate().At(p.noon(d)).Score(w.kt(d))
				_ = zt
				a.zr += w.rank[d]
				a.zzr += (seen.score - w.rank[d]) * (seen.score - w.rank[d])
			}
		}
	}
	for k, x := range pit {
		t.Logf("month pit %d days %v", k, *x)
	}
	for mo := 1; mo <= 12; mo++ {
		a := by[mo]
		t.Logf("month %2d pred/act %.3f factor %.3f site %.2f z %.2f sd %.2f (seen %.2f) rankmean %.2f rms vs rank %.2f", mo, a.pred/a.act, a.f/a.n, a.site/a.n, a.z/a.share, math.Sqrt(a.zz/a.share-(a.z/a.share)*(a.z/a.share)), a.share/a.n, a.zr/a.share, math.Sqrt(a.zzr/a.share))
	}
}
