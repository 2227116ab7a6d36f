package lookback

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"ebbwatch/alert/cause"
	"ebbwatch/estimator/battery"
	"ebbwatch/estimator/outlook"
	"ebbwatch/estimator/sun"
)

// Silence is one time in which the node was dark, did not record, or did not reach its
// peers. It is found from all of these together: a board that dies with its load leaves a
// load that goes off, then a hole in the record, then a load that is off until the battery
// is back, and that is one silence.
type Silence struct {
	Start, End time.Time // End is zero while it lasts
	// How much of it shows in each way.
	LoadOff, NoRecord, Unreached time.Duration
	// Peers that did not answer while others did; empty where none answered.
	Behind []string
	// Board tells whether the board ran all the time, by its own clock; Boot whether what was
	// recorded next is of the same start of the board.
	Board cause.Truth
	// Dark tells whether the load was without power. A hole in the record of a board that
	// stopped at a voltage near the cut-off is dark; of one that stopped with charge in the
	// battery it is not known.
	Dark    cause.Truth
	Verdict cause.Verdict
	// Said is the chance of a cut-off within three days as it stood a day before; NaN: not
	// recorded. Warned is when the alarm that stood at the start was raised; zero: none did.
	Said   float64
	Warned time.Time

	step   float64 // hours by which the clock was set forward in it; NaN: not known
	boot   cause.Truth
	uptime float64 // hours of the board at the end; NaN: not known
}

// Length is how long the silence was, to a moment while it lasts.
func (s Silence) Length(now time.Time) time.Duration {
	if s.End.IsZero() {
		return now.Sub(s.Start)
	}
	return s.End.Sub(s.Start)
}

// Options are what the record itself does not hold.
type Options struct {
	Now     time.Time
	Zone    *time.Location // of the site; UTC when nil
	Site    outlook.Site
	Battery battery.Battery
	// What the owner or the neighbours know of the silences: no sensor of a node tells it.
	Rain, Heard, Others, Bright cause.Truth
}

// least is the shortest silence that counts; apart is how close two are one.
const least, apart = 10 * time.Minute, 15 * time.Minute

// Silences finds the silences in steps that are in order of time, and puts each down to a
// cause. Only those that end after from are given; what lies before is evidence, of which a
// month is wanted. What the record does not reach back to is no silence.
func Silences(steps []Step, from time.Time, o Options) []Silence {
	if o.Zone == nil {
		o.Zone = time.UTC
	}
	found := merge(append(append(holes(steps, o.Now), loadOff(steps)...), unreached(steps)...))
	var out []Silence
	for _, s := range found {
		if !s.End.IsZero() && s.End.Before(from) {
			continue
		}
		r := evidence(steps, s, o)
		s.Dark = dark(s, r)
		s.Said = said(steps, s.Start)
		s.Verdict = cause.Judge(r)
		out = append(out, s)
	}
	return out
}

// holes are the gaps of the record, with what the board's own clock tells of each.
func holes(steps []Step, now time.Time) []Silence {
	var out []Silence
	for i, s := range steps {
		end := s.At.Add(s.Span)
		if i+1 == len(steps) {
			if now.Sub(end) > apart {
				out = append(out, Silence{Start: end, NoRecord: now.Sub(end), step: math.NaN(), uptime: math.NaN()})
			}
			break
		}
		next := steps[i+1]
		gap := next.At.Sub(end)
		if gap < least {
			continue
		}
		h := Silence{Start: end, End: next.At, NoRecord: gap, step: math.NaN(), uptime: next.UptimeLow / 3600}
		if known := !math.IsNaN(s.Boot) && !math.IsNaN(next.Boot); known {
			same := s.Boot == next.Boot
			h.boot, h.Board = cause.Of(true, same), cause.Of(true, same)
			if same {
				// The ends are known to within a step each, so a small difference is none.
				if h.step = (gap.Seconds() - (next.UptimeLow - s.UptimeHigh)) / 3600; math.Abs(h.step) < 2*fine.Hours() {
					h.step = 0
				}
			}
		}
		out = append(out, h)
	}
	return out
}

// spells gathers the steps for which is holds to silences.
func spells(steps []Step, is func(int) bool, make func(Silence, time.Duration) Silence) []Silence {
	var out []Silence
	for i := 0; i < len(steps); i++ {
		if !is(i) {
			continue
		}
		s := Silence{Start: steps[i].At, Board: cause.Yes, step: math.NaN(), uptime: math.NaN()}
		length := time.Duration(0)
		last := i
		for ; i < len(steps) && is(i) && (i == last || steps[i].At.Sub(steps[i-1].At) <= apart); i++ {
			length += steps[i].Span
		}
		if i < len(steps) {
			s.End = steps[i-1].At.Add(steps[i-1].Span)
		}
		i--
		if length >= least {
			out = append(out, make(s, length))
		}
	}
	return out
}

// loadOff finds when the load was off: by its switch where that is read, else by its power.
// What a load takes while it is off is learned: it is off below a quarter of the usual power,
// unless it often takes so little at that hour of the day, as a load with hours of its own.
func loadOff(steps []Step) []Silence {
	var watts []float64
	for _, s := range steps {
		if s.LoadOn >= 0.5 || math.IsNaN(s.LoadOn) && s.LoadWatts > 0 {
			watts = append(watts, s.LoadWatts)
		}
	}
	usual := quantile(slices.DeleteFunc(watts, math.IsNaN), 0.5)
	low := func(s Step) bool { return usual > 1 && s.LoadWatts < usual/4 }
	var hours [24]struct{ low, all float64 }
	for _, s := range steps {
		h := &hours[s.At.Hour()]
		if !math.IsNaN(s.LoadWatts) {
			h.all++
			if low(s) {
				h.low++
			}
		}
	}
	off := func(i int) bool {
		s := steps[i]
		h := hours[s.At.Hour()]
		own := h.all >= 10*float64(time.Hour/fine) && h.low > 0.5*h.all && !(usual > 1 && s.LoadOn < 0.5)
		return s.LoadOn < 0.5 || low(s) && !own
	}
	return spells(steps, off, func(s Silence, length time.Duration) Silence {
		s.LoadOff = length
		return s
	})
}

// unreached finds when peers that usually answer did not.
func unreached(steps []Step) []Silence {
	usual := map[string]*mean{}
	for _, s := range steps {
		for name, p := range s.Peers {
			if usual[name] == nil {
				usual[name] = &mean{}
			}
			usual[name].add(p.Up)
		}
	}
	silent := func(i int) (names []string, all bool) {
		all = true
		for name, p := range steps[i].Peers {
			switch {
			case p.Up > 0:
				all = false
			case p.Up == 0 && usual[name].value() > 0.5:
				names = append(names, name)
			}
		}
		return names, all
	}
	var out []Silence
	is := func(i int) bool { names, _ := silent(i); return len(names) > 0 }
	for _, s := range spells(steps, is, func(s Silence, length time.Duration) Silence { s.Unreached = length; return s }) {
		some := map[string]bool{}
		none := 0
		for i := range steps {
			if at := steps[i].At; at.Before(s.Start) || !s.End.IsZero() && !at.Before(s.End) {
				continue
			}
			names, all := silent(i)
			if all {
				none++
				continue
			}
			for _, n := range names {
				some[n] = true
			}
		}
		if none*2 < int(s.Unreached/fine) {
			for n := range some {
				s.Behind = append(s.Behind, n)
			}
			slices.Sort(s.Behind)
		}
		out = append(out, s)
	}
	return out
}

// merge makes one silence of those that overlap or follow close.
func merge(all []Silence) []Silence {
	slices.SortStableFunc(all, func(a, b Silence) int { return a.Start.Compare(b.Start) })
	var out []Silence
	for _, s := range all {
		n := len(out)
		if n == 0 || !out[n-1].End.IsZero() && s.Start.Sub(out[n-1].End) > apart {
			out = append(out, s)
			continue
		}
		o := &out[n-1]
		o.LoadOff, o.NoRecord, o.Unreached = o.LoadOff+s.LoadOff, o.NoRecord+s.NoRecord, o.Unreached+s.Unreached
		if s.End.IsZero() || !o.End.IsZero() && s.End.After(o.End) {
			o.End = s.End
		}
		if s.NoRecord > 0 { // the hole knows more of the board than what was recorded
			if o.boot != cause.No {
				o.boot, o.uptime, o.step = s.boot, s.uptime, s.step
			}
			if o.Board != cause.No {
				o.Board = s.Board
			}
		}
		if s.LoadOff > 0 || len(s.Behind) == 0 {
			o.Behind = nil
		}
	}
	return out
}

// dark tells whether the load was without power.
func dark(s Silence, r cause.Record) cause.Truth {
	near := r.Volts <= r.CutoffVolts+0.15*float64(max(r.Cells, 4))
	switch {
	case s.LoadOff > 0, s.NoRecord > 0 && s.Board != cause.Yes && near:
		return cause.Yes
	case s.NoRecord > 0:
		return cause.Unknown
	}
	return cause.No
}

// said is the chance of a cut-off within three days as it stood a day before, or at the
// last moment before that which is recorded.
func said(steps []Step, start time.Time) float64 {
	x := math.NaN()
	for _, s := range steps {
		if s.At.After(start.Add(-24 * time.Hour)) {
			break
		}
		if !math.IsNaN(s.Chance72) && s.At.After(start.Add(-48*time.Hour)) {
			x = s.Chance72
		}
	}
	return x
}

// How is how the silence shows, in words.
func (s Silence) How() string {
	var parts []string
	if s.LoadOff > 0 {
		parts = append(parts, "the load was off")
	}
	if s.NoRecord > 0 {
		parts = append(parts, "no record: "+map[cause.Truth]string{
			cause.Unknown: "whether the board ran is not known", cause.Yes: "the board ran on", cause.No: "the board started anew"}[s.boot])
	}
	switch {
	case len(s.Behind) > 0:
		parts = append(parts, strings.Join(s.Behind, " and ")+" did not answer, others did")
	case s.Unreached > 0 && s.LoadOff == 0:
		parts = append(parts, "no peer answered")
	}
	return strings.Join(parts, "; ")
}

// Title is a line of a list of silences.
func (s Silence) Title(zone *time.Location) string {
	if zone == nil {
		zone = time.UTC
	}
	text := s.Start.In(zone).Format("Mon 2 Jan 15:04") + " to "
	if s.End.IsZero() {
		text += "now"
	} else {
		text += s.End.In(zone).Format("Mon 2 Jan 15:04")
	}
	return fmt.Sprintf("%s (%s)", text, s.How())
}

// sunUp tells whether the sun is above the horizon of a site, by more than the few degrees
// in which a panel gives nothing.
func sunUp(at time.Time, site outlook.Site) cause.Truth {
	known := site.WattsPeak > 0 || site.Latitude != 0 || site.Longitude != 0
	return cause.Of(known, known && sun.Elevation(at, site.Latitude, site.Longitude) > 3)
}
