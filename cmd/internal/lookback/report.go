package lookback

import (
	"cmp"
	"math"
	"slices"
	"time"

	"ebbwatch/alert"
	"ebbwatch/alert/cause"
	"ebbwatch/estimator/battery"
	"ebbwatch/estimator/outlook"
)

// Input is what a report is made from.
type Input struct {
	Site     string
	Zone     *time.Location
	From, To time.Time
	Battery  battery.Battery
	Array    outlook.Site
	// Steps in order of time. Those from before From are evidence for what each silence is put
	// down to: see [Month].
	Steps []Step
	// Known is what somebody knows of the silences that no sensor tells.
	Known Options
	// Notices that were sent in the span, in order; nil: none were kept.
	Notices []alert.Notice
	// Health is the learned capacity as a share of the label; NaN: not known.
	Health float64
	// Record says how good the chances that were stated so far have been, of all time; empty
	// before any was scored.
	Record string
}

// Report is the look back.
type Report struct {
	Site     string
	Zone     *time.Location
	From, To time.Time
	Covered  float64 // share of the span that the record knows, 0 to 1
	Ledger   Ledger
	Days     []Day
	Worst    []Day // the days with the least charge, the worst first; at most five
	Harvest  Harvest
	Creep    *Creep // nil: the load did not change for good
	Health   float64
	Reserve  float64
	Peers    []Peer
	Silences []Silence
	Dark     []Spell // the load was off, or as good as surely
	Unknown  []Spell // whether it was off is not known: nothing was recorded
	Metered  bool    // the load is measured at all
	Warnings []Warning
	Unwarned []Spell // it went dark without a warning
	Judged   bool    // there were notices to judge
	Record   string  // see [Input]
}

// Spell is a stretch of time.
type Spell struct{ From, To time.Time }

// Length is how long the spell was.
func (s Spell) Length() time.Duration { return s.To.Sub(s.From) }

// Make makes the report.
func Make(in Input) Report {
	if in.Zone == nil {
		in.Zone = time.UTC
	}
	in.Steps = slices.Clone(in.Steps)
	slices.SortStableFunc(in.Steps, func(a, b Step) int { return a.At.Compare(b.At) })
	r := Report{Site: in.Site, Zone: in.Zone, From: in.From, To: in.To, Health: in.Health, Reserve: in.Battery.Reserve, Record: in.Record}
	o := in.Known
	o.Now, o.Zone, o.Site, o.Battery = in.To, in.Zone, in.Array, in.Battery
	r.Silences = Silences(in.Steps, in.From, o)
	in.Steps = between(in.Steps, in.From, in.To)
	var known time.Duration
	for _, s := range in.Steps {
		known += s.Span
		r.Metered = r.Metered || !math.IsNaN(s.LoadOn) || !math.IsNaN(s.LoadWatts)
	}
	if span := in.To.Sub(in.From); span > 0 {
		r.Covered = min(1, known.Seconds()/span.Seconds())
	}
	r.Ledger = ledger(in)
	r.Harvest, r.Days = harvest(in)
	r.Worst = worst(r.Days)
	r.Creep = creep(r.Days)
	r.Peers = peers(in.Steps)
	r.Dark, r.Unknown = darkSpells(r.Silences, in.To)
	r.Judged = in.Notices != nil
	r.Warnings, r.Unwarned = judge(in.Notices, r.Dark, in.To)
	r.Warnings = slices.DeleteFunc(r.Warnings, func(w Warning) bool { return w.stood(in.To).Before(in.From) })
	for i := range r.Silences {
		s := &r.Silences[i]
		for _, w := range r.Warnings {
			if !s.Start.Before(w.Raised) && !s.Start.After(w.stood(in.To)) {
				s.Warned = w.Raised
			}
		}
	}
	return r
}

// darkSpells are the silences in which the load was off, and those of which it is not known.
func darkSpells(silences []Silence, now time.Time) (dark, unknown []Spell) {
	for _, s := range silences {
		spell := Spell{s.Start, s.Start.Add(s.Length(now))}
		switch s.Dark {
		case cause.Yes:
			dark = append(dark, spell)
		case cause.Unknown:
			unknown = append(unknown, spell)
		}
	}
	return dark, unknown
}

// Ledger is the account of the energy in watt-hours. What is not known is NaN.
type Ledger struct {
	Panel      float64 // out of the panel
	Load       float64 // through the meter
	Unmetered  float64 // out of the battery past all meters, as believed
	Into, From float64 // the battery
	Stored     float64 // more in the battery at the end than at the beginning, as believed
	Converter  float64 // lost in the controller: panel less what came out
	Kept       float64 // lost in the battery: in, less out, past the meters and stored
	// Unaccounted is what is left: panel less load, converter and the battery's net. Meters
	// that disagree end up here.
	Unaccounted float64
}

const joulesPerWh = 3600

func ledger(in Input) Ledger {
	sum := func(get func(Step) float64) float64 {
		total, n := 0.0, 0
		for _, s := range in.Steps {
			if x := get(s); !math.IsNaN(x) {
				total += x
				n++
			}
		}
		if n == 0 {
			return math.NaN()
		}
		return total / joulesPerWh
	}
	l := Ledger{
		Panel: sum(func(s Step) float64 { return s.PV }), Load: sum(func(s Step) float64 { return s.Load }),
		Unmetered: sum(func(s Step) float64 { return s.UnmeteredWatts * s.Span.Seconds() }),
		Into:      sum(func(s Step) float64 { return s.BatteryIn }), From: sum(func(s Step) float64 { return s.BatteryOut }),
		// Only steps that know both sides: a controller sleeps at night.
		Converter: sum(func(s Step) float64 { return s.PV - s.ChargeWatts*s.Span.Seconds() }),
		Stored:    stored(in),
	}
	l.Kept = l.Into - l.From - zero(l.Unmetered) - l.Stored
	l.Unaccounted = l.Panel - l.Load - zero(l.Converter) - (l.Into - l.From)
	return l
}

// zero is for what a sum may do without.
func zero(x float64) float64 {
	if math.IsNaN(x) {
		return 0
	}
	return x
}

// stored is the change of the charge as energy, at the battery's mean voltage.
func stored(in Input) float64 {
	first, last, volts, n := math.NaN(), math.NaN(), 0.0, 0.0
	for _, s := range in.Steps {
		if math.IsNaN(s.SoC) || math.IsNaN(s.Volts) {
			continue
		}
		if math.IsNaN(first) {
			first = s.SoC
		}
		last, volts, n = s.SoC, volts+s.Volts, n+1
	}
	return (last - first) * in.Battery.CapacityAh * volts / n
}

// worst are the five days that came lowest; one night that two days share counts once.
func worst(days []Day) []Day {
	known := slices.DeleteFunc(slices.Clone(days), func(d Day) bool { return math.IsNaN(d.SoCLeast) })
	slices.SortStableFunc(known, func(a, b Day) int { return cmp.Compare(a.SoCLeast, b.SoCLeast) })
	var out []Day
	for _, d := range known {
		near := func(o Day) bool { return o.LeastAt.Sub(d.LeastAt).Abs() < 12*time.Hour }
		if len(out) < 5 && !slices.ContainsFunc(out, near) {
			out = append(out, d)
		}
	}
	return out
}

// Creep is a change of the load for good.
type Creep struct {
	Since         time.Time // the first day of the new load
	Before, After float64   // mean load, W
}

// creep finds the day that splits the daily loads best into two levels. It counts when both
// sides have three days or more, the step is 4 % and 0.3 W at least, and is five times its
// own uncertainty (Welch's t): common practice, strict because many days are tried.
func creep(days []Day) *Creep {
	var known []Day
	for _, d := range days {
		if !math.IsNaN(d.LoadWatts) && d.Covered > 0.8 {
			known = append(known, d)
		}
	}
	var best *Creep
	most := 5.0
	for k := 3; k+3 <= len(known); k++ {
		a, va := meanVar(known[:k])
		b, vb := meanVar(known[k:])
		se := math.Sqrt(va/float64(k) + vb/float64(len(known)-k))
		t := math.Abs(b-a) / max(se, 0.01)
		if t > most && math.Abs(b-a) > max(0.3, 0.04*a) {
			most, best = t, &Creep{known[k].Date, a, b}
		}
	}
	return best
}

func meanVar(days []Day) (mean, variance float64) {
	for _, d := range days {
		mean += d.LoadWatts / float64(len(days))
	}
	for _, d := range days {
		variance += (d.LoadWatts - mean) * (d.LoadWatts - mean) / float64(len(days)-1)
	}
	return mean, variance
}

// Peer is how the way to one peer was.
type Peer struct {
	Name       string
	Up         float64 // share of the time that is known
	Loss       float64 // mean share of probes
	RTTSeconds float64 // mean
	Longest    time.Duration
}

func peers(steps []Step) []Peer {
	type tally struct {
		up, loss, rtt mean
		down, longest time.Duration
	}
	all := map[string]*tally{}
	for _, s := range steps {
		for name, p := range s.Peers {
			if all[name] == nil {
				all[name] = &tally{}
			}
			t := all[name]
			t.up.add(p.Up)
			t.loss.add(p.Loss)
			t.rtt.add(p.RTTSeconds)
			switch {
			case math.IsNaN(p.Up):
			case p.Up < 0.5:
				t.down += s.Span
				t.longest = max(t.longest, t.down)
			default:
				t.down = 0
			}
		}
	}
	var out []Peer
	for name, t := range all {
		out = append(out, Peer{name, t.up.value(), t.loss.value(), t.rtt.value(), t.longest})
	}
	slices.SortFunc(out, func(a, b Peer) int { return cmp.Compare(a.Name, b.Name) })
	return out
}

// mean gathers numbers and passes over what is not known.
type mean struct{ sum, n float64 }

func (m *mean) add(x float64) {
	if !math.IsNaN(x) {
		m.sum, m.n = m.sum+x, m.n+1
	}
}

func (m mean) value() float64 { return m.sum / m.n }

// Warning is one alarm about going dark, and what came of it.
type Warning struct {
	Raised, Cleared time.Time // Cleared is zero while it stands
	Title           string
	Came            time.Time     // when it went dark; zero: it did not
	Lead            time.Duration // from the warning to the dark
	Open            bool          // neither cleared nor come true at the end
}

// stood is until when the dark may come for the warning to be right: while it stands, and a
// day after it was cleared.
func (w Warning) stood(end time.Time) time.Time {
	if w.Cleared.IsZero() {
		return end
	}
	return w.Cleared.Add(24 * time.Hour)
}

// judge holds the warnings of a cut-off ahead against what happened. One that was right
// went dark while it stood, or within a day after it was cleared.
func judge(notices []alert.Notice, dark []Spell, end time.Time) ([]Warning, []Spell) {
	byID := map[string]*Warning{}
	var order []*Warning
	for _, n := range notices {
		if n.Rule != "cutoff_ahead" {
			continue
		}
		w := byID[n.ID]
		if w == nil {
			w = &Warning{Raised: n.At, Title: n.Title}
			byID[n.ID], order = w, append(order, w)
		}
		if n.Phase == alert.Cleared {
			w.Cleared = n.At
		}
	}
	warned := map[time.Time]bool{}
	var out []Warning
	for _, w := range order {
		until := w.stood(end)
		for _, d := range dark {
			if !d.From.Before(w.Raised) && !d.From.After(until) {
				warned[d.From] = true
				if w.Came.IsZero() {
					w.Came, w.Lead = d.From, d.From.Sub(w.Raised)
				}
			}
		}
		w.Open = w.Cleared.IsZero() && w.Came.IsZero()
		out = append(out, *w)
	}
	var missed []Spell
	for _, d := range dark {
		if notices != nil && !warned[d.From] {
			missed = append(missed, d)
		}
	}
	return out, missed
}
