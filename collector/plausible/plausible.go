// Package plausible doubts numbers that cannot be true together. It is a pure step from one
// poll to the next: bounds, power balance, the sign of the battery's current, values that no
// longer move, slips of a power of ten. A doubted value keeps its number and is given the
// reason; what uses it is for others to decide.
//
// A false doubt is costly, because it takes a true number away. So every check but the
// bounds wants long evidence, in power or current worth speaking of, and has no opinion
// otherwise. Where two numbers disagree and nothing tells which is wrong, both are doubted.
//
// How soon a fault is told, measured on 60 simulated nodes that were polled each minute, in
// the middle and at the latest: out of bounds, at the next poll; load watts or amperes tenfold
// 51 and 54 minutes; panel watts a tenth 2 and 5 hours, for that needs ninety polls with some
// watts flowing; charging current tenfold 1 and 2 hours, a tenth 10 and 38 hours (panels from
// 100 W); battery current off by ten 8 and 12 hours, half of them a night; its sign reversed
// half an hour into the first night, or within 12 hours when that happens later; frozen 20
// and 24 hours, most of them while a charger held the voltage and nothing need move; a shunt
// that says nothing, 12 hours. Of 400 honest nodes, a week each, with polls from a minute to
// an hour apart, nothing was doubted; nor of 50 with polls ten seconds apart. All limits are
// common practice with room to spare, unless said otherwise.
//
// Not doubted: a thermometer that always shows the same (25.0 °C is also what a missing
// probe looks like, and what a mild day looks like), a load that no meter sees, a charger
// that we are not told of.
package plausible

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"ebbwatch/collector/reading"
)

// Site is what the owner said of the site; zero stands for not told.
type Site struct {
	Cells      int     // of the LiFePO4 battery, in series
	CapacityAh float64 // of the battery
	WattsPeak  float64 // of all panels
}

// Context is what else is known at the moment of a poll.
type Context struct {
	Site         Site
	SunElevation float64         // degrees above the horizon; NaN when not known
	Others       reading.Reading // fresh values of other sources
}

// State is what is remembered of one source between polls. It marshals to JSON.
type State struct {
	Started bool
	At      time.Duration // of the last poll, on the monotonic clock
	Runs    [reading.NumSite]Run
	Pairs   [numPairs]Pair
	Volts   Count // voltages that differ by a power of ten
	Net     Line  // battery current against what charger and load say
	Ohm     Steps // battery voltage against its current
	Night   Night
}

// Verdict is what a check has come to.
type Verdict int8

// The verdicts.
const (
	Unknown Verdict = iota
	Fine
	Bad
)

// gap is the longest time between polls over which values are compared.
const gap = 30 * time.Minute

// finding is the present verdict of one check and whom it concerns.
type finding struct {
	who     []reading.Quantity
	verdict Verdict
	why     func() string
}

// Step judges one poll of a source. It returns the values with what is doubted marked, and
// the new state; neither input is changed. Values of peers pass through.
func Step(s State, at reading.Stamp, values []reading.Value, c Context) ([]reading.Value, State) {
	out := slices.Clone(values)
	own := reading.Reading{Stamp: at}
	for i, v := range out {
		if v.Quantity >= reading.NumSite {
			continue
		}
		if why := outOfBounds(v, c.Site); why != "" && v.Suspect == "" {
			out[i].Suspect = why
		}
		if out[i].Suspect == "" {
			own.Set(v.Quantity, v.X)
		}
	}
	fresh := s.Started && at.Mono > s.At && at.Mono-s.At <= gap
	p := poll{own: own, all: merge(own, c.Others), c: c, dt: at.Mono - s.At, fresh: fresh}
	findings := s.judge(p)
	s.Started, s.At = true, at.Mono
	mark(out, findings, own, c.Site)
	return out, s
}

// poll is one poll, made ready for the checks.
type poll struct {
	own   reading.Reading // of this source, without what is doubted
	all   reading.Reading // with what other sources add
	c     Context
	dt    time.Duration // since the poll before
	fresh bool          // that one can be compared with
}

// get is a value of the source, or NaN.
func (p *poll) get(q reading.Quantity) float64 { return get(&p.own, q) }

func get(r *reading.Reading, q reading.Quantity) float64 {
	if x, ok := r.Get(q); ok {
		return x
	}
	return math.NaN()
}

// has tells whether the source itself gave one of the quantities: only those can be doubted.
func (p *poll) has(qs ...reading.Quantity) bool {
	return slices.ContainsFunc(qs, func(q reading.Quantity) bool { return p.own.Known(q) })
}

func merge(own, others reading.Reading) reading.Reading {
	for q := range reading.NumSite {
		if x, ok := others.Get(q); ok && !own.Known(q) {
			own.Set(q, x)
		}
	}
	return own
}

// judge runs the checks.
func (s *State) judge(p poll) []finding {
	findings := s.pairs(p)
	findings = append(findings, s.volts(p), s.ohm(p), s.net(p))
	findings = append(findings, s.night(p)...)
	return append(findings, s.frozen(p)...)
}

// The widest that a working LiFePO4 cell can be, V; the protection opens well inside.
const (
	cellLow  = 1.9
	cellHigh = 3.95
)

// outOfBounds says why a value is impossible, or nothing.
func outOfBounds(v reading.Value, site Site) string {
	info := reading.Quantities()[v.Quantity]
	low, high := info.Min, info.Max
	whose := "any working node"
	switch cells := float64(site.Cells); {
	case v.Quantity == reading.BatteryVolts && cells > 0:
		low, high, whose = cells*cellLow, cells*cellHigh, fmt.Sprintf("a battery of %d cells", site.Cells)
	case v.Quantity == reading.PanelWatts && site.WattsPeak > 0:
		high, whose = min(high, 1.6*site.WattsPeak+20), fmt.Sprintf("panels of %g W", site.WattsPeak)
	}
	if v.X >= low && v.X <= high {
		return ""
	}
	return fmt.Sprintf("%s cannot be of %s", strings.TrimSpace(fmt.Sprintf("%.4g %s", v.X, info.Unit)), whose)
}

// mark writes the reasons to the values that are to blame.
func mark(values []reading.Value, findings []finding, own reading.Reading, site Site) {
	trust := trusted(findings, own, site)
	open := slices.DeleteFunc(findings, func(f finding) bool { return f.verdict != Bad || !own.Known(f.who...) && len(f.who) == 1 })
	for len(open) > 0 {
		guilty := blamed(open, trust)
		open = slices.DeleteFunc(open, func(f finding) bool {
			explained := false
			for _, q := range guilty {
				if slices.Contains(f.who, q) {
					doubt(values, q, f.why())
					explained = true
				}
			}
			return explained
		})
	}
}

func doubt(values []reading.Value, q reading.Quantity, why string) {
	for i := range values {
		if values[i].Quantity == q && values[i].Suspect == "" {
			values[i].Suspect = why
		}
	}
}

// What weighs how much for a quantity and against it. A battery's voltage that its cells can
// have is right within a factor of two, which is more than any other check can say.
const (
	forEachFine  = 2
	forInBounds  = 6
	againstAlone = 20 // a check of one quantity alone leaves no choice
)

// trusted sums up what speaks for each quantity.
func trusted(findings []finding, own reading.Reading, site Site) (n [reading.NumSite]int) {
	for _, f := range findings {
		for _, q := range f.who {
			if f.verdict == Fine {
				n[q] += forEachFine
			}
		}
	}
	if own.Known(reading.BatteryVolts) && site.Cells > 0 {
		n[reading.BatteryVolts] += forInBounds // else it would be doubted already
	}
	return n
}

// blamed are the quantities against which most speaks, several when nothing parts them.
func blamed(open []finding, trust [reading.NumSite]int) (guilty []reading.Quantity) {
	var score [reading.NumSite]int
	named := map[reading.Quantity]bool{}
	for _, f := range open {
		for _, q := range f.who {
			named[q] = true
			score[q]++
			if len(f.who) == 1 {
				score[q] += againstAlone
			}
		}
	}
	best := math.MinInt
	for q := range reading.NumSite {
		if !named[q] {
			continue
		}
		switch x := score[q] - trust[q]; {
		case x > best:
			best, guilty = x, []reading.Quantity{q}
		case x == best:
			guilty = append(guilty, q)
		}
	}
	return guilty
}
