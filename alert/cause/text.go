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
	b.WriteString(v.Sentence() + "\n")
	if len(v.Missing) > 0 {
		b.WriteString("What would tell: " + strings.Join(v.Missing, "; ") + ".\n")
	}
	for i, g := range v.Ladder {
		if g.Chance < 0.03 && i > 1 {
			break
		}
		fmt.Fprintf(&b, "\n%s, %s\n", g.Cause, percent(g.Chance))
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
		Missing  []string  `json:"missing,omitempty"`
		Bring    []string  `json:"bring,omitempty"`
	}{v.Record.Start, v.Record.End, v.Cause, v.Sentence(), v.Ladder, v.Missing, v.Bring})
}

// Sentence says what it comes to.
func (v Verdict) Sentence() string {
	first, second := v.Ladder[0], v.Ladder[1]
	if v.Cause != CannotTell {
		return fmt.Sprintf("Most likely (%s): %s, %s.", percent(first.Chance), v.Cause, meaning(v.Cause))
	}
	if first.Chance < 0.3 {
		return "What caused it cannot be told: the record holds too little."
	}
	return fmt.Sprintf("What caused it cannot be told for sure; %s (%s) and %s (%s) come first.",
		first.Cause, percent(first.Chance), second.Cause, percent(second.Chance))
}

// meaning explains a cause in half a sentence.
func meaning(c Cause) string {
	return map[Cause]string{
		Cutoff: "there was too little sun, and the load was cut off", Snow: "the panel lay under snow and the battery ran empty",
		Creep: "the battery ran empty because more was drawn than a while ago", NoCharge: "the panel or its charger gave nothing: a fuse, a wire, a lost panel",
		Cold: "the frost kept the battery from charging", Lockout: "the battery's own protection opened, and sun alone may not wake it",
		Power: "it stopped with charge in the battery: a fuse, a contact, the board or its card", Heat: "it was too hot to run", Water: "something got wet",
		Path: "the node ran on and reached nobody: its radio, aerial, switch or cable", Far: "the node ran on and reached its neighbour; the way broke beyond",
		Stopped: "the board ran on; only ebbwatch was stopped, or could not write", Clock: "nothing was silent, the clock was set",
	}[c]
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
