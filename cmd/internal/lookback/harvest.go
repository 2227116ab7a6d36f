package lookback

import (
	"math"
	"slices"
	"time"

	"ebbwatch/collector/reading"
)

// Cause is why a part of the harvest is missing.
type Cause string

// The causes, in the order in which they are asked: the first that fits takes the blame.
const (
	Fault   Cause = "charger fault"
	Full    Cause = "battery full"
	Cold    Cause = "too cold to charge"
	Snow    Cause = "snow, likely"
	Shade   Cause = "shade from one direction"
	Dirt    Cause = "dirt or ageing"
	Weather Cause = "weather"
)

// Causes lists them all.
func Causes() [7]Cause { return [7]Cause{Fault, Full, Cold, Snow, Shade, Dirt, Weather} }

// Harvest is what the panel gave against what a clear sky would have given, in Wh.
type Harvest struct {
	Got, Clear float64 // over the steps that know the panel's power
	// Ratio is what this panel gives under a clear sky against its label: wiring, dirt that
	// was always there and the label's optimism. Assumed is true when too few clear moments
	// were seen to learn it.
	Ratio   float64
	Assumed bool
	Missing map[Cause]float64 // of Clear times Ratio
	Shaded  []Bearing         // the directions that are in shade
	Decline float64           // of Ratio over the span, as a share; 0: none seen
}

// Bearing is a direction of the sun in which the panel gives less than elsewhere.
type Bearing struct {
	From, To float64 // azimuth, degrees from north
	Loss     float64 // share that is missing under a clear sky
}

// Day is one local day.
type Day struct {
	Date       time.Time // local midnight
	Got, Clear float64   // Wh; Clear by the label
	SoCLeast   float64   // of the mean charge in five minutes
	LeastAt    time.Time
	VoltsLeast float64
	LoadWatts  float64 // mean
	Covered    float64
	Snowy      bool
	Missing    map[Cause]float64
	best       float64 // the best ratio of a moment, to learn from
}

// lit is a step with the sun up.
type lit struct {
	*Step
	day     int
	clear   float64 // J by the label under a clear sky
	ratio   float64 // got against clear
	azimuth float64
	learn   bool // high sun and a charger that takes all it can get
}

// What follows is common practice: shade and the panel's own ratio are learned from the
// best tenth of moments, which are the clear ones.
const (
	clearTenth   = 0.9
	usualRatio   = 0.85 // of a label, where nothing was learned
	snowyRatio   = 0.04 // of a clear day: less than the darkest overcast gives
	bearingWidth = 15.0
	shadeShare   = 0.75 // a direction below this share of the rest is in shade
)

func harvest(in Input) (Harvest, []Day) {
	days := daysOf(in)
	all := light(in, days)
	h := Harvest{Missing: map[Cause]float64{}}
	h.Ratio, h.Assumed = ratio(all, func(x lit) float64 { return x.ratio })
	h.Shaded = shaded(all, h.Ratio)
	snowy(days, all, h.Ratio)
	if h.Decline = decline(days, all, h.Ratio, h.Shaded); h.Decline > 0 {
		undo := func(x lit) float64 { return x.ratio / (1 - h.Decline*float64(x.day)/float64(max(1, len(days)-1))) }
		h.Ratio, h.Assumed = ratio(all, undo)
	}
	for _, x := range all {
		got := x.PV / joulesPerWh
		clear := x.clear / joulesPerWh
		h.Got, h.Clear = h.Got+got, h.Clear+clear
		d := &days[x.day]
		d.Got, d.Clear = d.Got+got, d.Clear+clear
		missing := clear*h.Ratio - got
		if missing <= 0 {
			continue
		}
		for cause, wh := range blame(x, days, h, clear, missing) {
			h.Missing[cause] += wh
			d.Missing[cause] += wh
		}
	}
	return h, days
}

// daysOf gathers what each local day was like.
func daysOf(in Input) []Day {
	var days []Day
	var load mean
	var known time.Duration
	flush := func() {
		if n := len(days); n > 0 {
			length := days[n-1].Date.AddDate(0, 0, 1).Sub(days[n-1].Date)
			days[n-1].LoadWatts, days[n-1].Covered = load.value(), min(1, known.Hours()/length.Hours())
		}
		load, known = mean{}, 0
	}
	for _, s := range in.Steps {
		y, m, d := s.At.In(in.Zone).Date()
		date := time.Date(y, m, d, 0, 0, 0, 0, in.Zone)
		if n := len(days); n == 0 || !days[n-1].Date.Equal(date) {
			flush()
			days = append(silentDays(days, date), newDay(date))
		}
		x := &days[len(days)-1]
		load.add(s.LoadWatts)
		known += s.Span
		if !math.IsNaN(s.SoC) && !(s.SoC >= x.SoCLeast) {
			x.SoCLeast, x.LeastAt = s.SoC, s.At
		}
		if !math.IsNaN(s.VoltsLow) && !(s.VoltsLow >= x.VoltsLeast) {
			x.VoltsLeast = s.VoltsLow
		}
	}
	flush()
	y, m, d := in.To.In(in.Zone).Date()
	if today := time.Date(y, m, d, 0, 0, 0, 0, in.Zone); in.To.After(today) {
		return silentDays(days, today.AddDate(0, 0, 1))
	}
	return silentDays(days, time.Date(y, m, d, 0, 0, 0, 0, in.Zone))
}

func newDay(date time.Time) Day {
	nan := math.NaN()
	return Day{Date: date, SoCLeast: nan, VoltsLeast: nan, LoadWatts: nan, Missing: map[Cause]float64{}}
}

// silentDays adds the days of which nothing is recorded, up to a date.
func silentDays(days []Day, until time.Time) []Day {
	if len(days) == 0 {
		return nil
	}
	for next := days[len(days)-1].Date.AddDate(0, 0, 1); next.Before(until); next = next.AddDate(0, 0, 1) {
		days = append(days, newDay(next))
	}
	return days
}

// light picks the steps with the sun up and says what a clear sky would have given.
func light(in Input, days []Day) []lit {
	var all []lit
	a, day := in.Array, 0
	if a.WattsPeak <= 0 {
		return nil
	}
	for i := range in.Steps {
		s := &in.Steps[i]
		for day+1 < len(days) && !s.At.Before(days[day+1].Date) {
			day++
		}
		mid := s.At.Add(s.Span / 2)
		watts, at := a.ClearWatts(mid, in.Battery.Cells, s.AirCelsius, s.Volts)
		if at.Top <= 0 || math.IsNaN(s.PV) {
			continue
		}
		x := lit{Step: s, day: day, clear: watts * s.Span.Seconds(), azimuth: at.Azimuth}
		x.ratio = s.PV / x.clear
		x.learn = at.Elevation > 8 && watts > 0.05*a.WattsPeak && !full(*s) && s.Stage != float64(reading.Fault) && s.Stage != float64(reading.Off)
		all = append(all, x)
	}
	return all
}

// full tells whether the charger had no use for more.
func full(s Step) bool {
	tapering := s.Stage == float64(reading.Absorption) || s.Stage == float64(reading.Float)
	return tapering && !(s.SoC < 0.9) || s.SoC >= 0.985
}

// quantile of unsorted numbers; NaN of none.
func quantile(xs []float64, q float64) float64 {
	if len(xs) == 0 {
		return math.NaN()
	}
	xs = slices.Sorted(slices.Values(xs))
	return xs[min(len(xs)-1, int(q*float64(len(xs))))]
}

// ratio learns what the panel gives under a clear sky: the best tenth of all directions.
func ratio(all []lit, of func(lit) float64) (float64, bool) {
	var xs []float64
	for _, x := range all {
		if x.learn {
			xs = append(xs, of(x))
		}
	}
	best := quantile(xs, 0.95)
	if len(xs) < 50 || best < 0.4 || best > 1.15 {
		return usualRatio, true
	}
	return min(best, 1), false
}

// shaded finds the directions in which even the best moments stay behind. A moment counts
// when the sun shone from another direction within two and a half hours of it, so that
// clouds, or a battery that is full whenever it is fine, are not taken for a tree. Six such
// days are asked for, with hardly an exception.
func shaded(all []lit, usual float64) []Bearing {
	bins := map[int][]float64{}
	days := map[int]map[int]bool{}
	bright := brightMoments(all, usual)
	for _, x := range all {
		b := int(x.azimuth / bearingWidth)
		fine := func(y lit) bool {
			return int(y.azimuth/bearingWidth) != b && y.At.Sub(x.At).Abs() <= 150*time.Minute
		}
		if !x.learn || !slices.ContainsFunc(bright[x.day], fine) {
			continue
		}
		if days[b] == nil {
			days[b] = map[int]bool{}
		}
		bins[b], days[b][x.day] = append(bins[b], x.ratio), true
	}
	var out []Bearing
	for b := range int(360 / bearingWidth) {
		if len(days[b]) < 6 || len(bins[b]) < 30 || quantile(bins[b], 0.97) > shadeShare*usual {
			continue
		}
		if share := quantile(bins[b], clearTenth) / usual; share < shadeShare {
			out = join(out, Bearing{float64(b) * bearingWidth, float64(b+1) * bearingWidth, 1 - share})
		}
	}
	return out
}

// brightMoments are the moments of each day at which the sun shone freely.
func brightMoments(all []lit, usual float64) map[int][]lit {
	bright := map[int][]lit{}
	for _, x := range all {
		if x.learn && x.ratio > 0.8*usual {
			bright[x.day] = append(bright[x.day], x)
		}
	}
	return bright
}

// join adds a bearing, to the last where it goes on much alike.
func join(out []Bearing, b Bearing) []Bearing {
	n := len(out)
	if n == 0 || out[n-1].To != b.From || math.Abs(out[n-1].Loss-b.Loss) > 0.15 {
		return append(out, b)
	}
	last := &out[n-1]
	wide := (last.To - last.From) / bearingWidth
	last.Loss = (last.Loss*wide + b.Loss) / (wide + 1)
	last.To = b.To
	return out
}

// snowy marks the days that gave next to nothing in frost.
func snowy(days []Day, all []lit, usual float64) {
	got, clear := make([]float64, len(days)), make([]float64, len(days))
	frost := make([]mean, len(days))
	for _, x := range all {
		got[x.day], clear[x.day] = got[x.day]+x.PV, clear[x.day]+x.clear
		frost[x.day].add(x.AirCelsius)
		if x.learn {
			days[x.day].best = max(days[x.day].best, x.ratio)
		}
	}
	for i := range days {
		days[i].Snowy = clear[i] > 0 && got[i] < snowyRatio*usual*clear[i] && frost[i].value() <= 1
	}
}

// decline is how much of the ratio was lost over the span: a straight line through the best
// moments of the days that had clear ones (the median of the slopes of all pairs, after
// Theil and Sen). Fewer than fifteen such days, less than 5 %, or a fall that chance makes
// more often than once in a thousand (Kendall's test) is none.
func decline(days []Day, all []lit, usual float64, shade []Bearing) float64 {
	best := make([][]float64, len(days))
	for _, x := range all {
		if x.learn && inShade(x.azimuth, shade) == 0 {
			best[x.day] = append(best[x.day], x.ratio)
		}
	}
	var at, y []float64
	for i := range days {
		if q := quantile(best[i], clearTenth); q > 0.6*usual {
			at, y = append(at, float64(i)), append(y, q)
		}
	}
	n := float64(len(at))
	if n < 15 {
		return 0
	}
	var slopes []float64
	falls := 0.0
	for i := range at {
		for j := range i {
			slopes = append(slopes, (y[i]-y[j])/(at[i]-at[j]))
			falls += math.Copysign(1, y[j]-y[i])
		}
	}
	if falls < 3.1*math.Sqrt(n*(n-1)*(2*n+5)/18) {
		return 0
	}
	lost := -quantile(slopes, 0.5) * float64(len(days)) / usual
	if lost < 0.05 {
		return 0
	}
	return min(lost, 1)
}

// inShade is the share that is missing in a direction under a clear sky.
func inShade(azimuth float64, shade []Bearing) float64 {
	for _, b := range shade {
		if azimuth >= b.From && azimuth < b.To {
			return b.Loss
		}
	}
	return 0
}

// blame parts what is missing of a step among the causes.
func blame(x lit, days []Day, h Harvest, clear, missing float64) map[Cause]float64 {
	switch {
	case x.Stage == float64(reading.Fault):
		return map[Cause]float64{Fault: missing}
	case full(*x.Step):
		return map[Cause]float64{Full: missing}
	case x.BatteryCelsius < 0.5 && x.ratio < 0.02:
		return map[Cause]float64{Cold: missing}
	case days[x.day].Snowy:
		return map[Cause]float64{Snow: missing}
	}
	// Shade and dirt take a share of whatever light there is, so they are counted up from
	// what came; the sky has the rest.
	out := map[Cause]float64{}
	rest, light := missing, clear*h.Ratio-missing
	take := func(c Cause, wh float64) {
		if wh = min(wh, rest); wh > 0 {
			out[c] += wh
			rest, light = rest-wh, light+wh
		}
	}
	shade := inShade(x.azimuth, h.Shaded)
	take(Shade, light*shade/(1-min(shade, 0.95)))
	dirt := h.Decline * float64(x.day) / float64(max(1, len(days)-1))
	take(Dirt, light*dirt/(1-min(dirt, 0.95)))
	take(Weather, rest)
	return out
}
