package report

import (
	"cmp"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"
)

// WhyInput is what an outage is judged from.
type WhyInput struct {
	Input
	Outage Spell
	Back   bool // it has come back by now
	// ClockSet is by how much the wall clock was set during or right after the outage; a
	// hole in the record as long as that is no outage at all.
	ClockSet time.Duration
}

// Reason is why a node was not to be reached.
type Reason string

// The reasons.
const (
	Power      Reason = "power"      // the battery ran down for want of sun
	Path       Reason = "path"       // the node ran, the way to it did not
	Heat       Reason = "heat"       // something was too hot
	TooCold    Reason = "cold"       // frost kept the battery from charging
	Water      Reason = "water"      // water or a loose wire
	CutOff     Reason = "cut-off"    // the controller cut the load off, the battery not empty
	Protection Reason = "protection" // the battery's own protection opened, and may be locked
	LoadCreep  Reason = "creep"      // the load grew beyond what the sun gives
	Clock      Reason = "clock"      // nothing was off: the clock was wrong
	CannotTell Reason = "cannot tell"
)

// Reasons lists all that can be told.
func Reasons() [9]Reason {
	return [9]Reason{Power, Path, Heat, TooCold, Water, CutOff, Protection, LoadCreep, Clock}
}

// Finding is one reason with what speaks for and against it.
type Finding struct {
	Reason       Reason
	For, Against []string
	weight       float64
}

// Why is the judgement on one outage.
type Why struct {
	Outage   Spell
	Back     bool
	Reason   Reason
	Findings []Finding // the likeliest first; those with nothing for them left out
	Bring    []string
	in       WhyInput
}

// decided is the weight from which a reason is named; less is "cannot tell". The weights
// are judgement, not measurement: 3 stands for a sign that hardly anything else makes, 1
// for one that many things make.
const decided = 3

// Judge weighs every reason.
func Judge(in WhyInput) Why {
	if in.Zone == nil {
		in.Zone = time.UTC
	}
	s := look(in)
	w := Why{Outage: in.Outage, Back: in.Back, Reason: CannotTell, in: in}
	for _, judge := range []func(WhyInput, signs) Finding{power, path, heat, cold, water, cutOff, protection, creeping, clock} {
		if f := judge(in, s); len(f.For) > 0 {
			w.Findings = append(w.Findings, f)
		}
	}
	slices.SortStableFunc(w.Findings, func(a, b Finding) int { return cmp.Compare(b.weight, a.weight) })
	if len(w.Findings) > 0 && w.Findings[0].weight >= decided {
		w.Reason = w.Findings[0].Reason
	}
	w.Bring = bring(w.Reason, s)
	return w
}

// Text writes the judgement.
func (w Why) Text(out io.Writer) error {
	var b strings.Builder
	r := Report{Zone: w.in.Zone}
	back := "It is back."
	if !w.Back {
		back = "It is not back."
	}
	fmt.Fprintf(&b, "%s: outage from %s. %s\n", w.in.Site, r.spell(w.Outage), back)
	if w.Reason == CannotTell {
		fmt.Fprintln(&b, "\nLikeliest: the record cannot tell.")
	} else {
		fmt.Fprintf(&b, "\nLikeliest: %s.\n", meaning(w.Reason))
	}
	for _, f := range w.Findings {
		fmt.Fprintf(&b, "\n%s: %s\n", f.Reason, meaning(f.Reason))
		for _, s := range f.For {
			fmt.Fprintf(&b, "  + %s\n", s)
		}
		for _, s := range f.Against {
			fmt.Fprintf(&b, "  − %s\n", s)
		}
	}
	fmt.Fprintln(&b, "\nBring:")
	for _, s := range w.Bring {
		fmt.Fprintf(&b, "  - %s\n", s)
	}
	_, err := io.WriteString(out, b.String())
	return err
}

func meaning(r Reason) string {
	return map[Reason]string{
		Power:      "the battery ran down for want of sun",
		Path:       "the node ran, the way to it did not",
		Heat:       "something was too hot",
		TooCold:    "frost kept the battery from charging",
		Water:      "water or a loose wire",
		CutOff:     "the controller cut the load off although the battery was not empty",
		Protection: "the battery's own protection opened",
		LoadCreep:  "the load grew beyond what the sun gave",
		Clock:      "nothing was off; the clock was wrong",
	}[r]
}
