package cause

import (
	"encoding/json"
	"fmt"
	"strings"
	"time"
)

// String renders the verdict for a terminal or a plain mail: what happened, what it is put
// down to, the ladder with the evidence, and what to bring. Times are in the zone of the
// record.
func (v Verdict) String() string {
	var b strings.Builder
	r := v.Record
	day := func(t time.Time) string { return t.Format("Mon 2 Jan 15:04") }
	if r.Over() {
		fmt.Fprintf(&b, "Silent from %s to %s, %s.\n", day(r.Start), day(r.End.In(r.Start.Location())), span(r.Hours()))
	} else {
		fmt.Fprintf(&b, "Silent since %s, %s so far.\n", day(r.Start), span(r.Hours()))
	}
	b.WriteString(v.sentence() + "\n")
	for _, g := range v.Ladder {
		if len(g.For)+len(g.Against) == 0 {
			continue
		}
		b.WriteString("\n" + g.title() + "\n")
		for _, f := range g.For {
			b.WriteString("  for      " + f + "\n")
		}
		for _, a := range g.Against {
			b.WriteString("  against  " + a + "\n")
		}
	}
	if len(v.Bring) > 0 {
		b.WriteString("\nIf you go, bring " + strings.Join(v.Bring, ", ") + ".\n")
		b.WriteString("Measure before you replace: rule out one cause after the other.\n")
	}
	for _, c := range v.cautions() {
		b.WriteString(c + "\n")
	}
	return b.String()
}

// MarshalJSON gives what a program may want; the record holds numbers that are not known.
func (v Verdict) MarshalJSON() ([]byte, error) {
	return json.Marshal(struct {
		Start    time.Time `json:"start"`
		End      time.Time `json:"end,omitzero"`
		Cause    Cause     `json:"cause"`
		Sentence string    `json:"sentence"`
		Ladder   []Rung    `json:"ladder"`
		Bring    []string  `json:"bring,omitempty"`
	}{v.Record.Start, v.Record.End, v.Cause, v.sentence(), v.Ladder, v.Bring})
}

// sentence says what it comes to.
func (v Verdict) sentence() string {
	if v.Record.Stopped == Yes {
		return "The board ran on: only ebbwatch itself was stopped. Nothing says that the node was dark."
	}
	switch v.Cause {
	case CannotTell:
		first, second := v.Ladder[0], v.Ladder[1]
		if first.Excluded || first.Points <= 0 {
			return "What caused it cannot be told: the record holds too little."
		}
		if second.Excluded || second.Points <= 0 {
			return fmt.Sprintf("What caused it cannot be told for sure; %s comes first.", first.Cause)
		}
		return fmt.Sprintf("What caused it cannot be told for sure; %s and %s come first.", first.Cause, second.Cause)
	case Clock:
		return "Nothing was silent: the clock stepped."
	}
	return fmt.Sprintf("Most likely: %s, %s.", v.Cause, meaning(v.Cause))
}

// meaning explains a cause in half a sentence.
func meaning(c Cause) string {
	switch c {
	case Power:
		return "the supply of the node broke, or the panel stopped feeding the battery"
	case Path:
		return "the node ran on and the way to it was broken"
	case Heat:
		return "it was too hot to run"
	case Cold:
		return "the frost kept the battery from charging or made it sag"
	case Water:
		return "something got wet"
	case Cutoff:
		return "there was too little sun, and the load was cut off"
	case Lockout:
		return "the battery's own protection opened, and sun alone does not wake it"
	case Creep:
		return "the battery ran low because more is drawn or less comes in than a while ago"
	}
	return "see below"
}

func (g Rung) title() string {
	if g.Excluded {
		return string(g.Cause) + " (ruled out)"
	}
	return string(g.Cause)
}

// cautions are the usual ones, where a hand may come near.
func (v Verdict) cautions() []string {
	if len(v.Bring) == 0 {
		return nil
	}
	list := []string{"Care: a battery can deliver thousands of amperes, and a panel is live in light. Local rules say who may work on it."}
	switch v.Cause {
	case Lockout:
		list = append(list, "Find out why before you wake a battery at or near 0 V; leave one that is swollen, hot or smells. Do not bypass its protection.")
	case Cold:
		list = append(list, "Never charge LiFePO4 below 0 °C; wait for it to be warm.")
	}
	return list
}

func span(hours float64) string {
	switch {
	case hours < 2:
		return fmt.Sprintf("%.0f minutes", hours*60)
	case hours < 48:
		return fmt.Sprintf("%.0f hours", hours)
	}
	return fmt.Sprintf("%.0f days", hours/24)
}
