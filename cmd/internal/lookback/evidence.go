package lookback

import (
	"math"
	"slices"
	"time"

	"ebbwatch/alert/cause"
	"ebbwatch/estimator/sun"
)

// The spans that evidence is taken from: the last days against the month before them, of
// which there must be some.
const (
	recent    = 3 * 24 * time.Hour
	month     = 30 * 24 * time.Hour
	leastDays = 7
)

// Month is how much record before a span is evidence for the silences in it.
const Month = recent + month

// evidence gathers what the record tells of a silence.
func evidence(steps []Step, s Silence, o Options) cause.Record {
	r := cause.Blank()
	r.Start, r.Now = s.Start.In(o.Zone), o.Now.In(o.Zone)
	if !s.End.IsZero() {
		r.End = s.End.In(o.Zone)
	}
	r.Cells = o.Battery.Cells
	if o.Battery.CutoffVolts > 0 {
		r.CutoffVolts = o.Battery.CutoffVolts
	}
	r.Rain, r.Heard, r.Others, r.Bright = o.Rain, o.Heard, o.Others, o.Bright
	r.RanThrough = cause.Of(true, s.NoRecord == 0)
	r.SameBoot, r.Uptime, r.ClockStep = s.boot, s.uptime, s.step
	r.LoadOff = cause.Of(s.NoRecord == 0 || s.LoadOff > 0, s.LoadOff > 0)
	if s.NoRecord == 0 && s.Unreached > 0 {
		r.Answered = cause.Of(len(peersOf(steps)) > 1, len(s.Behind) > 0)
	}
	before := between(steps, s.Start.Add(-recent-month), s.Start)
	batteryBefore(&r, before, s, steps)
	sunBefore(&r, before, s, o)
	wayBefore(&r, before, s)
	r.SunUp = sunUp(s.Start, o.Site)
	if r.Over() {
		r.SunUpAfter = sunUp(s.End, o.Site)
	}
	r.LightDays = noons(r.Start, r.Until())
	return r
}

// between are the steps that begin in a span.
func between(steps []Step, from, to time.Time) []Step {
	at := func(t time.Time) int {
		i, _ := slices.BinarySearchFunc(steps, t, func(s Step, t time.Time) int { return s.At.Compare(t) })
		return i
	}
	return steps[at(from):max(at(from), at(to))]
}

// newest is the newest known value of the last hours; NaN when there is none.
func newest(steps []Step, within time.Duration, get func(Step) float64) float64 {
	for _, s := range slices.Backward(steps) {
		if s.At.Before(steps[len(steps)-1].At.Add(-within)) {
			break
		}
		if x := get(s); !math.IsNaN(x) {
			return x
		}
	}
	return math.NaN()
}

// extreme is the least (sign 1) or the most (sign -1) of the known values of the last hours.
func extreme(steps []Step, within time.Duration, sign float64, get func(Step) float64) float64 {
	x := math.NaN()
	for _, s := range slices.Backward(steps) {
		if s.At.Before(steps[len(steps)-1].At.Add(-within)) {
			break
		}
		if y := get(s); !math.IsNaN(y) && !(sign*x <= sign*y) {
			x = y
		}
	}
	return x
}

// batteryBefore fills charge, voltage, what the outlook had said, and the nights' load.
func batteryBefore(r *cause.Record, before []Step, s Silence, steps []Step) {
	if len(before) == 0 {
		return
	}
	r.SoC = newest(before, 2*time.Hour, func(s Step) float64 { return s.SoC })
	r.SoCLow = newest(before, 2*time.Hour, func(s Step) float64 { return s.SoCLow })
	r.SoCHigh = newest(before, 2*time.Hour, func(s Step) float64 { return s.SoCHigh })
	// The step in which the load goes off still begins under load.
	around := between(steps, s.Start.Add(-4*fine), s.Start.Add(fine))
	if len(around) > 0 {
		r.Volts = extreme(around, time.Hour, 1, func(s Step) float64 { return s.VoltsLow })
	}
	said := between(before, s.Start.Add(-12*time.Hour), s.Start.Add(-time.Hour))
	if len(said) > 0 {
		r.Chance24 = newest(said, 11*time.Hour, func(s Step) float64 { return s.Chance24 })
		r.Chance72 = newest(said, 11*time.Hour, func(s Step) float64 { return s.Chance72 })
	}
	r.ColdC = extreme(before, 48*time.Hour, 1, func(s Step) float64 { return s.BatteryCelsius })
	if math.IsNaN(r.ColdC) {
		r.ColdC = extreme(before, 48*time.Hour, 1, func(s Step) float64 { return s.AirCelsius })
	}
	r.BoxC = extreme(before, time.Hour, -1, func(s Step) float64 { return most(s.ControllerCelsius, s.BatteryCelsius) })
	nights := map[int][]float64{}
	for _, x := range before {
		if hour := x.At.In(r.Start.Location()).Hour(); (hour < 5 || hour >= 22) && !math.IsNaN(x.LoadWatts) {
			day := int(s.Start.Sub(x.At) / (24 * time.Hour)) // 0: the last
			nights[day] = append(nights[day], x.LoadWatts)
		}
	}
	medians := map[int]float64{}
	for day, list := range nights {
		medians[day] = quantile(list, 0.5)
	}
	r.LoadRatio = lastDays(medians)
}

// most is the greater of two numbers, or the one that is known; NaN when neither is.
func most(a, b float64) float64 {
	if math.IsNaN(a) || b > a {
		return b
	}
	return a
}

// lastDays is the mean of the last three days against that of the days before.
func lastDays(days map[int]float64) float64 {
	var now, then mean
	for day, x := range days {
		if day < int(recent/(24*time.Hour)) {
			now.add(x)
		} else {
			then.add(x)
		}
	}
	if now.n == 0 || then.n < leastDays || then.value() <= 0 {
		return math.NaN()
	}
	return now.value() / then.value()
}

// sunBefore fills what the panel gave of late, against the month, the forecast sky and its
// own usual voltage.
func sunBefore(r *cause.Record, before []Step, s Silence, o Options) {
	harvest := map[int]float64{}
	var got, sky float64
	var usual, light []float64
	var refused, lit int
	wp := o.Site.WattsPeak
	for _, x := range before {
		day := int(s.Start.Sub(x.At) / (24 * time.Hour))
		if !math.IsNaN(x.PV) {
			harvest[day] += x.PV
		}
		watts := x.PV / x.Span.Seconds()
		late := s.Start.Sub(x.At) < recent
		if late && !math.IsNaN(x.PV) && x.PVSky > 0.02*wp && !full(x) {
			got, sky = got+x.PV, sky+x.PVSky*x.Span.Seconds()
		}
		if wp <= 0 || sun.Elevation(x.At, o.Site.Latitude, o.Site.Longitude) < 8 || math.IsNaN(x.PanelVolts) {
			continue
		}
		if watts > 0.05*wp {
			usual = append(usual, x.PanelVolts)
		}
		if late {
			light = append(light, x.PanelVolts)
			lit++
			if x.BatteryCelsius <= 0.5 && watts < 0.002*wp {
				refused++
			}
		}
	}
	r.HarvestRatio = lastDays(harvest)
	if sky > 0.1*wp*joulesPerWh { // a tenth of an hour of full sun, less tells nothing
		r.SkyRatio = got / sky
	}
	const hours = 3 * int(time.Hour/fine)
	if volts := quantile(usual, 0.5); len(usual) >= hours && len(light) >= hours {
		// The last day of light counts: what broke three days ago is broken since.
		last := light[max(0, len(light)-2*hours):]
		r.PanelRatio = quantile(last, 0.5) / volts
		r.Refused = cause.Of(true, refused*2 > lit && r.PanelRatio >= 1)
	}
	r.Halted = halted(before, s, o)
}

// halted tells whether the harvest stopped between two readings in broad daylight and did
// not come back in two hours of light or more.
func halted(before []Step, s Silence, o Options) cause.Truth {
	wp := o.Site.WattsPeak
	if wp <= 0 || len(before) == 0 {
		return cause.Unknown
	}
	last := -1
	for i, x := range before {
		if x.PV/x.Span.Seconds() > 0.03*wp {
			last = i
		}
	}
	if last < 0 || s.Start.Sub(before[last].At) > 14*24*time.Hour {
		return cause.Unknown
	}
	after, light := before[last+1:], 0
	for _, x := range after {
		if math.IsNaN(x.PV) || sun.Elevation(x.At, o.Site.Latitude, o.Site.Longitude) < 8 {
			continue
		}
		if light++; light > 1 && x.PV/x.Span.Seconds() > 0.003*wp {
			return cause.No
		}
	}
	if light < 2*int(time.Hour/fine) {
		return cause.Unknown
	}
	high := sun.Elevation(before[last].At.Add(time.Hour), o.Site.Latitude, o.Site.Longitude) > 8
	return cause.Of(true, high)
}

// wayBefore fills what got lost on the way, and how often the node came and went.
func wayBefore(r *cause.Record, before []Step, s Silence) {
	hour := s.Start.Add(-time.Hour)
	for _, name := range peersOf(before) {
		var now mean
		var usual []float64
		for _, x := range before {
			switch p, ok := x.Peers[name]; {
			case !ok || math.IsNaN(p.Loss):
			case x.At.Before(hour):
				usual = append(usual, p.Loss)
			default:
				now.add(p.Loss)
			}
		}
		if l := now.value(); !math.IsNaN(l) && !(r.Loss >= l) {
			// The median of the month: what failed for a day is not its own usual.
			r.Loss, r.LossUsual = l, quantile(usual, 0.5)
		}
	}
	days := between(before, s.Start.Add(-48*time.Hour), s.Start)
	if len(days) == 0 {
		return
	}
	r.Flaps = 0
	for i := 1; i < len(days); i++ {
		a, b := days[i-1], days[i]
		gone := b.At.Sub(a.At.Add(a.Span)) >= fine || !math.IsNaN(a.Boot) && !math.IsNaN(b.Boot) && a.Boot != b.Boot
		for name, p := range b.Peers {
			gone = gone || p.Up < 0.9 && a.Peers[name].Up >= 0.9
		}
		if gone {
			r.Flaps++
		}
	}
}

// peersOf are the names of the peers, sorted.
func peersOf(steps []Step) []string {
	names := map[string]bool{}
	for _, s := range steps {
		for n := range s.Peers {
			names[n] = true
		}
	}
	var out []string
	for n := range names {
		out = append(out, n)
	}
	slices.Sort(out)
	return out
}

// noons are how many noons lie in a span.
func noons(from, to time.Time) float64 {
	n := 0.0
	y, m, d := from.Date()
	for noon := time.Date(y, m, d, 12, 0, 0, 0, from.Location()); noon.Before(to); noon = noon.AddDate(0, 0, 1) {
		if noon.After(from) {
			n++
		}
	}
	return n
}
