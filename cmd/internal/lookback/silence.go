package lookback

import (
	"context"
	"math"
	"slices"
	"strings"
	"time"

	"ebbwatch/alert/cause"
	"ebbwatch/cmd/internal/history"
)

// Silence is one time in which the node could not be heard. End is zero while it lasts.
type Silence struct {
	Start, End time.Time
	Recorded   bool // the node ran and recorded; no peer answered it
}

// Options are what the record itself does not hold.
type Options struct {
	Now         time.Time
	Zone        *time.Location // of the site; UTC when nil
	CutoffVolts float64        // the controller's setting; 0: not known
	Peers       []string       // whose path leads home
	// BoardUptime is how long the board runs at Now; 0: not known.
	BoardUptime time.Duration
	// What the owner knows, or neighbours and forecasts tell.
	Rain, Wind, Heard, Others cause.Truth
	// SunHours are the hours of full sun in the silence, SkyRatio the light of the three days
	// before it against the season; NaN: not known, so start from [Unknown].
	SunHours, SkyRatio float64
}

// Unknown are options in which nothing but the moment is known.
func Unknown(now time.Time) Options {
	return Options{Now: now, SunHours: math.NaN(), SkyRatio: math.NaN()}
}

// Find lists the silences of at least a length between two moments, oldest first, exact to
// twice [fine]. What the record does not reach back to is no silence.
func Find(ctx context.Context, h Lookup, from, to time.Time, least time.Duration, peers []string) ([]Silence, error) {
	names := []string{"battery_volts"}
	for _, p := range peers {
		names = append(names, "peer_up/"+p)
	}
	s, err := readRows(ctx, h, from, to, fine, names)
	if err != nil {
		return nil, err
	}
	var out []Silence
	var last, alone time.Time
	for i, at := range s.times {
		if !last.IsZero() && at.Sub(last) >= least+fine {
			out = append(out, Silence{Start: last.Add(fine), End: at})
		}
		switch up, known := s.reached(i, peers); {
		case known && !up && alone.IsZero():
			alone = at
		case known && up && !alone.IsZero():
			if at.Sub(alone) >= least {
				out = append(out, Silence{Start: alone, End: at, Recorded: true})
			}
			alone = time.Time{}
		}
		last = at
	}
	if !alone.IsZero() && last.Sub(alone) >= least {
		out = append(out, Silence{Start: alone, Recorded: true})
	}
	slices.SortStableFunc(out, func(a, b Silence) int { return a.Start.Compare(b.Start) })
	return out, nil
}

// rows are the means of some columns over a span, only where there are samples.
type rows struct {
	times []time.Time
	cols  map[string][]float64 // mean
	low   map[string][]float64
	high  map[string][]float64
	pv    []float64 // joules in each step
}

func readRows(ctx context.Context, h Lookup, from, to time.Time, step time.Duration, names []string) (rows, error) {
	r := rows{cols: map[string][]float64{}, low: map[string][]float64{}, high: map[string][]float64{}}
	err := pages(ctx, h, from, to, step, names, func(s history.Series, _ time.Time) { r.add(s) })
	return r, err
}

func (r *rows) add(s history.Series) {
	r.times = append(r.times, s.Times...)
	for _, c := range s.Columns {
		r.cols[c.Name] = append(r.cols[c.Name], c.Mean...)
		r.low[c.Name] = append(r.low[c.Name], c.Min...)
		r.high[c.Name] = append(r.high[c.Name], c.Max...)
	}
	pv := s.Joules["pv"]
	for i := range s.Times {
		x := math.NaN()
		if i < len(pv) {
			x = pv[i]
		}
		r.pv = append(r.pv, x)
	}
}

// reached tells whether any peer was reached in a step.
func (r rows) reached(i int, peers []string) (up, known bool) {
	for _, p := range peers {
		if c := r.high["peer_up/"+p]; i < len(c) && !math.IsNaN(c[i]) {
			known, up = true, up || c[i] > 0
		}
	}
	return up, known
}

// last is the newest known value of a column; NaN when there is none.
func (r rows) last(name string) float64 {
	for _, x := range slices.Backward(r.cols[name]) {
		if !math.IsNaN(x) {
			return x
		}
	}
	return math.NaN()
}

func (r rows) first(name string) float64 {
	for _, x := range r.cols[name] {
		if !math.IsNaN(x) {
			return x
		}
	}
	return math.NaN()
}

// meanBetween is that of the known values between two moments; NaN when there are none.
func meanBetween(times []time.Time, xs []float64, from, to time.Time) float64 {
	var m mean
	for i, x := range xs {
		if !times[i].Before(from) && times[i].Before(to) {
			m.add(x)
		}
	}
	return m.value()
}

// Extract gathers what the record tells of a silence.
func Extract(ctx context.Context, h Lookup, s Silence, o Options) (cause.Record, error) {
	r := cause.Blank()
	zone := o.Zone
	if zone == nil {
		zone = time.UTC
	}
	r.Start, r.Now = s.Start.In(zone), o.Now.In(zone)
	if !s.End.IsZero() {
		r.End = s.End.In(zone)
	}
	r.Rain, r.Wind, r.Heard, r.Others = o.Rain, o.Wind, o.Heard, o.Others
	r.SunHours, r.SkyRatio = o.SunHours, o.SkyRatio
	if o.CutoffVolts > 0 {
		r.CutoffVolts = o.CutoffVolts
	}
	r.RanThrough = cause.Of(true, s.Recorded)
	for _, part := range []func(context.Context, Lookup, Options, *cause.Record) error{hourBefore, dayBefore, monthBefore, after} {
		if err := part(ctx, h, o, &r); err != nil {
			return r, err
		}
	}
	uptime(o, &r)
	return r, nil
}

// hourBefore fills the last values, the sag and what the outlook said.
func hourBefore(ctx context.Context, h Lookup, _ Options, r *cause.Record) error {
	names := []string{"battery_volts", "battery_celsius", "controller_celsius", "air_celsius", "battery_soc", "battery_soc_low", "battery_soc_high",
		"cutoff_hours_p10", "cutoff_hours_p50", "reserve_hours_p10"}
	x, err := readRows(ctx, h, r.Start.Add(-time.Hour), r.Start, time.Minute, names)
	if err != nil {
		return err
	}
	r.SoC, r.SoCLow, r.SoCHigh = x.last("battery_soc"), x.last("battery_soc_low"), x.last("battery_soc_high")
	r.Volts, r.BatteryC = x.last("battery_volts"), x.last("battery_celsius")
	// The controller sits in the box; the air is measured there or outside.
	if r.BoxC = x.last("controller_celsius"); math.IsNaN(r.BoxC) {
		r.BoxC = x.last("air_celsius")
	}
	r.SagVolts = max(0, x.first("battery_volts")-r.Volts)
	r.CutoffHours = x.last("cutoff_hours_p50")
	r.CutoffChance = chance(x)
	return nil
}

// chance is what the quantiles of the outlook tell of a cut-off within a day. The record
// holds no chance itself; a window beyond the horizon is absent from it, as is one that was
// not known, so none is told unless the reserve was.
func chance(x rows) float64 {
	p10, p50 := x.last("cutoff_hours_p10"), x.last("cutoff_hours_p50")
	switch {
	case p50 <= 24:
		return 0.5
	case p10 <= 24:
		return 0.3
	case p10 > 24, math.IsNaN(p10) && !math.IsNaN(x.last("reserve_hours_p10")):
		return 0.05
	}
	return math.NaN()
}

// dayBefore fills what got lost on the way, and short silences.
func dayBefore(ctx context.Context, h Lookup, o Options, r *cause.Record) error {
	if len(o.Peers) == 0 {
		return nil
	}
	var names []string
	for _, p := range o.Peers {
		names = append(names, "peer_up/"+p, "peer_loss_ratio/"+p)
	}
	x, err := readRows(ctx, h, r.Start.Add(-25*time.Hour), r.Start, fine, names)
	if err != nil {
		return err
	}
	hour := r.Start.Add(-time.Hour)
	for _, p := range o.Peers {
		loss := x.cols["peer_loss_ratio/"+p]
		if l := meanBetween(x.times, loss, hour, r.Start); !math.IsNaN(l) && !(r.Loss >= l) {
			r.Loss, r.LossBefore = l, meanBetween(x.times, loss, hour.Add(-24*time.Hour), hour)
		}
		flaps, was := 0.0, math.NaN()
		for _, up := range x.low["peer_up/"+p] {
			if up == 0 && was == 1 {
				flaps++
			}
			was = up
		}
		if len(x.times) > 0 && !(r.Flaps >= flaps) {
			r.Flaps = flaps
		}
	}
	return nil
}

// The days of a comparison: the last three against the month before, of which there must be
// some.
const (
	recent    = 3 * 24 * time.Hour
	month     = 30 * 24 * time.Hour
	leastDays = 7
)

// monthBefore fills harvest and night load of the last days against those of the month.
func monthBefore(ctx context.Context, h Lookup, _ Options, r *cause.Record) error {
	x, err := readRows(ctx, h, r.Start.Add(-recent-month), r.Start, time.Hour, []string{"load_watts"})
	if err != nil {
		return err
	}
	harvest, load := map[int]float64{}, map[int][]float64{}
	for i, at := range x.times {
		day := int(r.Start.Sub(at) / (24 * time.Hour)) // 0: the last
		if !math.IsNaN(x.pv[i]) {
			harvest[day] += x.pv[i]
		}
		if hour := at.In(r.Start.Location()).Hour(); hour < 5 || hour >= 22 {
			if c := x.cols["load_watts"]; i < len(c) && !math.IsNaN(c[i]) {
				load[day] = append(load[day], c[i])
			}
		}
	}
	r.HarvestRatio = lastDays(harvest)
	nights := map[int]float64{}
	for day, list := range load {
		slices.Sort(list)
		nights[day] = list[len(list)/2]
	}
	r.LoadRatio = lastDays(nights)
	return nil
}

// lastDays is the mean of the last three days against that of the days before.
func lastDays(days map[int]float64) float64 {
	var now, then, n, m float64
	for day, x := range days {
		if day < int(recent/(24*time.Hour)) {
			now, n = now+x, n+1
		} else {
			then, m = then+x, m+1
		}
	}
	if n == 0 || m < leastDays || then <= 0 {
		return math.NaN()
	}
	return (now / n) / (then / m)
}

// after fills the first values after the silence.
func after(ctx context.Context, h Lookup, _ Options, r *cause.Record) error {
	if !r.Over() {
		return nil
	}
	x, err := readRows(ctx, h, r.End, r.End.Add(time.Hour), time.Minute, []string{"battery_volts", "battery_soc"})
	if err != nil {
		return err
	}
	r.SoCAfter, r.VoltsAfter = x.first("battery_soc"), x.first("battery_volts")
	return nil
}

// uptime tells whether the board ran on, where it has not restarted since. A hole in the
// record of a board that ran on is one of the daemon alone.
func uptime(o Options, r *cause.Record) {
	since := o.Now.Sub(r.Until())
	if !r.Over() || o.BoardUptime < since-2*fine || o.BoardUptime == 0 {
		return // the end is known to within two steps
	}
	switch r.Uptime = max(0, (o.BoardUptime - since).Hours()); {
	case r.Uptime < r.Hours():
		r.Boots = 1 // at least
	case r.RanThrough != cause.Yes:
		r.Stopped = cause.Yes
	}
}

// Why finds what a silence is put down to, and says so. It is [Extract] and [cause.Judge].
func Why(ctx context.Context, h Lookup, s Silence, o Options) (cause.Verdict, error) {
	r, err := Extract(ctx, h, s, o)
	if err != nil {
		return cause.Verdict{}, err
	}
	return cause.Judge(r), nil
}

// Title is a line of a list of silences.
func (s Silence) Title(zone *time.Location) string {
	if zone == nil {
		zone = time.UTC
	}
	how := "no record"
	if s.Recorded {
		how = "no peer reached"
	}
	text := s.Start.In(zone).Format("Mon 2 Jan 15:04") + " to "
	if s.End.IsZero() {
		text += "now"
	} else {
		text += s.End.In(zone).Format("Mon 2 Jan 15:04")
	}
	return strings.TrimSpace(text) + " (" + how + ")"
}
