package outlook

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"ebbwatch/collector/needtest"
	"ebbwatch/estimator/sky"
)

// climateAt reads the measured days of a climate: its sound years, back to back. A gap that is
// filled with one day says nothing of weather (Gainesville lacks 12,816 days of 65 years), nor does
// a year whose mean is far from the others', and a year that stands in the record a second time (Rothamsted after
// 1985) would show the oracle the very future that it is asked for. Source: weather files
// distributed with the DSSAT crop model data (DSSAT Foundation).
func climateAt(t testing.TB, name string, lat, lon float64) *weather {
	t.Helper()
	years := map[int][][4]float64{}
	for _, r := range needtest.Rows(t, "climates/"+name+"_daily.csv") {
		day, err := time.Parse(time.DateOnly, r[0])
		if err != nil {
			continue // the line of the coordinates
		}
		var x [4]float64
		for i := range x {
			if x[i], err = strconv.ParseFloat(r[i+1], 64); err != nil {
				t.Fatal(err)
			}
		}
		years[day.Year()] = append(years[day.Year()], x)
	}
	w := &weather{lat: lat, lon: lon}
	for _, year := range soundYears(years) {
		days := years[year]
		if w.first.IsZero() {
			w.first = time.Date(year, 1, 1, 0, 0, 0, 0, time.UTC)
		}
		for start := w.day(len(w.ghi)); w.day(len(w.ghi)).Year() == start.Year(); {
			x := days[min(len(days)-1, w.day(len(w.ghi)).YearDay()-1)]
			w.ghi, w.mean, w.swing = append(w.ghi, x[0]), append(w.mean, x[1]), append(w.swing, (x[3]-x[2])/2)
		}
	}
	w.rankDays()
	return w
}

// soundYears are those with all their days, a mean like that of the others, and not seen before.
func soundYears(years map[int][][4]float64) (out []int) {
	mean := func(year int) (sum float64) {
		for _, x := range years[year] {
			sum += x[0] / float64(len(years[year]))
		}
		return sum
	}
	var means []float64
	for year := range years {
		means = append(means, mean(year))
	}
	slices.Sort(means)
	usual := means[len(means)/2]
	seen := map[[3]float64]bool{}
	for _, year := range slices.Sorted(maps.Keys(years)) {
		days := years[year]
		if len(days) < 365 || math.Abs(mean(year)/usual-1) > 0.15 {
			continue
		}
		mark := [3]float64{days[20][0], days[100][0], days[200][0]}
		if !seen[mark] {
			out = append(out, year)
		}
		seen[mark] = true
	}
	return out
}

// climates are the places of the study.
func climates(t testing.TB) map[string]*weather {
	return map[string]*weather{
		"ames": climateAt(t, "ames_iowa", 42.02, -93.75), "rothamsted": climateAt(t, "rothamsted", 51.81, -0.36),
		"pergamino": climateAt(t, "pergamino", -33.93, -60.55), "gainesville": climateAt(t, "gainesville", 29.63, -82.37),
		"faisalabad": climateAt(t, "faisalabad", 31.43, 73.08),
		"hoogeveen":  station(t, "279"), "terschelling": station(t, "251"),
	}
}

// sized is a node of an autonomy, days, whose panel is as large as gives about three outages a
// year in the years that are lived; every other one has a protection that lets the charge in
// again only at 5 °C.
func (w *weather) sized(days, release float64, s *shapes) node {
	n := node{load: 4, tilt: 60, azimuth: 180, factor: 0.85, capacity: 0.95, evening: 0.2, release: release}
	n.tilt = max(20, min(65, math.Abs(w.lat)+10))
	if w.lat < 0 {
		n.azimuth = 0
	}
	n.ah = math.Round(days * n.load * 24 / 12.8)
	lo, hi := 15.0, 800.0
	for range 9 {
		n.watts = math.Sqrt(lo * hi)
		if cuts := cutsOf(w.truth(n, s, 7)); float64(len(cuts)) > 3*float64(len(w.ghi))/365 {
			lo = n.watts
		} else {
			hi = n.watts
		}
	}
	n.watts = math.Round(n.watts)
	return n
}

// oracle is the study beside which the outlook is held: it knows the node's charge, load, panel and
// physics perfectly, and draws other years' days from the site's own record, those alike to today
// and yesterday in clearness and in temperature.
type oracle struct {
	w     *weather
	n     node
	light [][24]float64
}

func (w *weather) oracle(n node, s *shapes, seed uint64) *oracle {
	o := &oracle{w: w, n: n}
	rng := rand.New(rand.NewPCG(seed, 1))
	for d := range w.ghi {
		o.light = append(o.light, w.light(d, n, s, rng))
	}
	return o
}

// alike are the starts of the most similar spells of other years.
func (o *oracle) alike(d int) []int {
	const drawn = 80
	type near struct {
		day  int
		dist float64
	}
	var all []near
	w := o.w
	for e := 2; e+9 < len(w.ghi); e++ {
		season := math.Abs(math.Remainder(float64(w.day(e).YearDay()-w.day(d).YearDay()), 365))
		if season > 15 || abs(e-d) < 200 {
			continue
		}
		x := sq((w.kt(e)-w.kt(d))/0.2) + 0.3*sq((w.kt(e-1)-w.kt(d-1))/0.2) +
			3*sq((w.mean[e]-w.mean[d])/4) + 0.5*sq((w.mean[e-1]-w.mean[d-1])/4) + sq(season/15)
		all = append(all, near{e, x})
	}
	slices.SortFunc(all, func(a, b near) int { return cmp.Compare(a.dist, b.dist) })
	var out []int
	for _, x := range all[:min(drawn, len(all))] {
		out = append(out, x.day)
	}
	return out
}

func abs(x int) int { return max(x, -x) }

// chances are those of a cut-off within each span, from an hour on which the truth is known.
func (o *oracle) chances(h int, hours []hour) (p [5]float64) {
	d := h / 24
	starts := o.alike(d)
	for _, e := range starts {
		st := course{soc: hours[h].soc, cold: hours[h].celsius, refusing: hours[h].refusing}
		for i := 1; i <= 168; i++ {
			at := h%24 + i
			x := o.w.step(o.n, &st, e+at/24, at%24, o.light[e+at/24][at%24], 1)
			if x.volts < 11.6 {
				for k, within := range Withins() {
					if i <= within {
						p[k] += 1 / float64(len(starts))
					}
				}
				break
			}
		}
	}
	return p
}

// TestClimateStudy prints the skill of the outlook at places of other climates, beside that of the
// oracle. EBBWATCH_STUDY=1; EBBWATCH_PLACE and EBBWATCH_SET pick, EBBWATCH_YEARS=from,to chooses the
// years of the record that are lived (the first teaches; the others are the record that the owner
// fetched); EBBWATCH_EXACT=1 tells the outlook the true charge, as the oracle knows it.
func TestClimateStudy(t *testing.T) {
	if os.Getenv("EBBWATCH_STUDY") == "" {
		t.Skip("skipped: needs EBBWATCH_STUDY=1 (minutes)")
	}
	from, to := 6, 11
	if x, err := fmt.Sscanf(os.Getenv("EBBWATCH_YEARS"), "%d,%d", &from, &to); x != 2 && os.Getenv("EBBWATCH_YEARS") != "" {
		t.Fatal(err)
	}
	s := measuredShapes(t)
	var pooled, perfect [3][]row
	type result struct {
		set  int
		rows []row
		best []row
		text string
	}
	results := make(chan result, 200)
	t.Run("all", func(t *testing.T) {
		for name, w := range climates(t) {
			if !strings.Contains(name, os.Getenv("EBBWATCH_PLACE")) {
				continue
			}
			for i, days := range []float64{3, 4.5, 7, 10} {
				release := float64(i%2) * 5
				for k, set := range []setting{{}, {forecast: true}, {blind: true}} {
					if !picked(k) {
						continue
					}
					t.Run(name, func(t *testing.T) {
						t.Parallel()
						part := w.from(from*365, to*365)
						set.node, set.seed, set.thin = part.sized(days, release, s), 11, 3
						set.exact = os.Getenv("EBBWATCH_EXACT") != ""
						tr := part.try(set, s, 365)
						hours := part.truth(set.node, s, set.seed)
						o := w.oracle(set.node, s, set.seed)
						var best []row
						for _, r := range tr.rows {
							p := r
							p.p = o.chances((r.day+from*365)*24+w.sunset(), padded(hours, from*365*24))
							best = append(best, p)
						}
						a, b := scoreOf(part, tr.rows, 2), scoreOf(part, tr.rows, 4)
						c, d := scoreOf(part, best, 2), scoreOf(part, best, 4)
						results <- result{k, tr.rows, best, fmt.Sprintf("%-12s %d %3.0f W %3.0f Ah release %.0f: %.1f outages a year; skill %.2f/%.2f, oracle %.2f/%.2f",
							name, k, set.node.watts, set.node.ah, release, tr.outages, a.skill, b.skill, c.skill, d.skill)}
					})
				}
			}
		}
	})
	close(results)
	var lines []string
	for r := range results {
		lines = append(lines, r.text)
		pooled[r.set], perfect[r.set] = append(pooled[r.set], r.rows...), append(perfect[r.set], r.best...)
	}
	slices.Sort(lines)
	t.Log("\n" + strings.Join(lines, "\n"))
	for k := range pooled {
		if len(pooled[k]) > 0 {
			for _, span := range []int{2, 4} {
				t.Logf("set %d, within %d h: %v\n   the oracle: %v", k, Withins()[span], poolOf(pooled[k], span), poolOf(perfect[k], span))
			}
		}
	}
}

// padded puts so many hours before the others.
func padded(hours []hour, n int) []hour { return append(make([]hour, n), hours...) }

// poolOf scores rows of several places against the base rate of each month of each: their own
// rows bring it along.
func poolOf(rows []row, span int) (out score) {
	var got, ref, line float64
	for _, r := range rows {
		got += sq(r.p[span] - r.came[span])
		ref += sq(r.base[span] - r.came[span])
		line += sq(r.straight[span] - r.came[span])
		out.rate += r.came[span] / float64(len(rows))
		bin := &out.bins[min(4, int(r.p[span]*5))]
		bin.n++
		bin.p += r.p[span]
		bin.came += r.came[span]
	}
	out.skill, out.straight = 1-got/ref, 1-line/ref
	return out
}

// from is a part of the record.
func (w *weather) from(first, end int) *weather {
	out := *w
	end = min(end, len(w.ghi))
	first = min(first, max(0, end-4*365))
	out.first = w.day(first)
	out.ghi, out.mean, out.swing, out.rank = w.ghi[first:end], w.mean[first:end], w.swing[first:end], w.rank[first:end]
	out.record = &weather{lat: w.lat, lon: w.lon, first: w.first}
	out.record.ghi = append(slices.Clone(w.ghi[:first]), w.ghi[end:]...)
	out.record.mean = append(slices.Clone(w.mean[:first]), w.mean[end:]...)
	return &out
}

// normal is the temperature's course over the year, as the program reads it off a record.
func (w *weather) normal() *sky.Air {
	var days []time.Time
	for i := range w.ghi {
		days = append(days, w.day(i))
	}
	air := sky.FitAir(days, w.mean, w.lat)
	return &air
}
