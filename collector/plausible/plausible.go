package plausible

import (
	"cmp"
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
	At      time.Duration            // of the last poll, on the monotonic clock
	Code    [reading.NumSite]float64 // the last value, where it was a code for "not available"
	Seen    uint32                   // quantities that there were at some time, here or in other sources
	Runs    [reading.NumSite]Run
	Still   Still
	Joint   Joint
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

// finding is what one check has come to, and whom it concerns.
type finding struct {
	who []reading.Quantity
	bad bool
	all bool // all of them, also those that agree with each other
	why string
}

// Step judges one poll of a source. It returns the values with what is doubted marked, and
// the new state; neither input is changed. Values of peers pass through.
func Step(s State, at reading.Stamp, values []reading.Value, c Context) ([]reading.Value, State) {
	out := slices.Clone(values)
	own := reading.Reading{Stamp: at}
	codes := s.codes(out)
	for i, v := range out {
		if v.Quantity >= reading.NumSite {
			continue
		}
		if why := cmp.Or(outOfBounds(v, c.Site), codes[v.Quantity]); why != "" && v.Suspect == "" {
			out[i].Suspect = why
		}
		if out[i].Suspect == "" {
			own.Set(v.Quantity, v.X)
		}
	}
	fresh := s.Started && at.Mono > s.At && at.Mono-s.At <= gap
	p := poll{at: at.Mono, own: own, all: merge(own, c.Others), c: c, dt: at.Mono - s.At, fresh: fresh}
	for q := range reading.NumSite {
		if p.all.Known(q) {
			s.Seen |= 1 << q
		}
	}
	joint, settled := s.joint(p)
	findings := append([]finding{joint, s.ohm(p), s.net(p)}, s.night(p)...)
	write(out, append(findings, s.frozen(p)...), settled)
	s.Started, s.At = true, at.Mono
	return out, s
}

// poll is one poll, made ready for the checks.
type poll struct {
	at    time.Duration
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

func merge(own, others reading.Reading) reading.Reading {
	for q := range reading.NumSite {
		if x, ok := others.Get(q); ok && !own.Known(q) {
			own.Set(q, x)
		}
	}
	return own
}

// The widest that a working LiFePO4 cell can be, V; the protection opens well inside.
const (
	cellLow  = 1.9
	cellHigh = 3.95
)

// outOfBounds says why a value is impossible, or nothing.
func outOfBounds(v reading.Value, site Site) string {
	low, high, whose := Bounds(v.Quantity, site)
	if v.X >= low && v.X <= high {
		return ""
	}
	if math.IsNaN(v.X) {
		whose = anyNode
	}
	return fmt.Sprintf("%s cannot be of %s", strings.TrimSpace(fmt.Sprintf("%.4g %s", v.X, reading.Quantities()[v.Quantity].Unit)), whose)
}

const anyNode = "any working node"

// Bounds are the least and the greatest that a quantity can be, in its unit, and of what. The labels of panel and battery bound
// what can flow: a panel gives more than its label at a cloud's edge on a cold day, and no
// battery of this chemistry is built for more than three times its capacity an hour.
func Bounds(q reading.Quantity, site Site) (low, high float64, whose string) {
	info := reading.Quantities()[q]
	low, high, whose = info.Min, info.Max, anyNode
	cells, panel := float64(site.Cells), 1.6*site.WattsPeak+20
	narrow := func(l, h float64, format string, x float64) {
		low, high, whose = max(low, l), min(high, h), fmt.Sprintf(format, x)
	}
	switch {
	case q == reading.BatteryVolts && cells > 0:
		narrow(cells*cellLow, cells*cellHigh, "a battery of %g cells", cells)
	case q == reading.PanelWatts && site.WattsPeak > 0:
		narrow(low, panel, "panels of %g W", site.WattsPeak)
	case q == reading.ChargeAmps && site.WattsPeak > 0 && cells > 0:
		narrow(low, panel/(2.5*cells)+2, "panels of %g W", site.WattsPeak)
	case (q == reading.BatteryAmps || q == reading.LoadAmps) && site.CapacityAh > 0:
		narrow(-3*site.CapacityAh-2, 3*site.CapacityAh+2, "a battery of %g Ah", site.CapacityAh)
	}
	return low, high, whose
}

// isCode tells whether a number is, on a decimal scale, one that devices send for "not
// available": the ends of 16 and 32 bits, signed and not.
func isCode(x float64) bool {
	for scale := 1.0; scale <= 1e4; scale *= 10 {
		switch raw := x * scale; math.Round(raw) {
		case 32767, 32768, -32768, 65535, 2147483647, 2147483648, -2147483648, 4294967295:
			if math.Abs(raw-math.Round(raw)) < 1e-6*scale {
				return true
			}
		}
	}
	return false
}

// codes tells which values are such codes. A true value may meet one by chance, so it takes two
// of them in one poll, or the same one twice in a row.
func (s *State) codes(values []reading.Value) (why [reading.NumSite]string) {
	n := 0
	for _, v := range values {
		if v.Quantity < reading.NumSite && isCode(v.X) {
			n++
		}
	}
	for _, v := range values {
		if v.Quantity >= reading.NumSite {
			continue
		}
		is := isCode(v.X)
		if was := s.Code[v.Quantity] == v.X; is && (n > 1 || was) {
			why[v.Quantity] = fmt.Sprintf("%.10g is how a device says that it does not know: see absent in its register map", v.X)
		}
		if s.Code[v.Quantity] = 0; is {
			s.Code[v.Quantity] = v.X
		}
	}
	return why
}

// write puts the reasons to the values that are to blame: of several that a finding is about,
// those that nothing else bears out at this poll.
func write(values []reading.Value, findings []finding, settled [reading.NumSite]bool) {
	for _, f := range findings {
		if !f.bad {
			continue
		}
		guilty := slices.DeleteFunc(slices.Clone(f.who), func(q reading.Quantity) bool { return settled[q] && len(f.who) > 1 })
		if len(guilty) == 0 || f.all {
			guilty = f.who
		}
		for i, v := range values {
			if v.Suspect == "" && slices.Contains(guilty, v.Quantity) {
				values[i].Suspect = f.why
			}
		}
	}
}

// times words a ratio.
func times(ratio float64) string {
	if math.IsNaN(ratio) || math.Abs(ratio) > 1e6 || math.Abs(ratio) < 1e-6 {
		return "nothing like"
	}
	if power := math.Log10(math.Abs(ratio)); ratio > 0 && math.Abs(power-math.Round(power)) < 0.1 && math.Round(power) != 0 {
		return fmt.Sprintf("about %g times", math.Pow(10, math.Round(power)))
	}
	return fmt.Sprintf("%.2g times", ratio)
}
