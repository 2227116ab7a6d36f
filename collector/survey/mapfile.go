package survey

import (
	"fmt"
	"strings"
	"time"
)

// MapFile writes the register map, with the evidence for each line in comments. What is
// undecided stands there commented out: it is the owner's to decide, after another look.
func MapFile(r Result, at time.Time) []byte {
	var b strings.Builder
	fmt.Fprintf(&b, "# Register map, found by looking on %s.\n", at.Format("2006-01-02"))
	if r.Found.Unit != 0 {
		fmt.Fprintf(&b, "# Use it as: modbus: {%s, map: this file}\n", r.Found)
	}
	if !r.Dark {
		b.WriteString("# Not done: no look was taken in the dark, where many devices say other things. After sunset run\n" +
			"# ebbwatch survey --dark SOURCE\n")
	}
	b.WriteString("# Put it to the proof with the kick test before you rely on it.\naddresses: wire\nbase: 0\n")
	decided := false
	for _, f := range r.Findings {
		if f.Verdict != Decided {
			continue
		}
		if !decided {
			b.WriteString("registers:\n")
		}
		decided = true
		for _, e := range f.Evidence {
			fmt.Fprintf(&b, "  # %s: %s\n", f.Quantity, e)
		}
		fmt.Fprintf(&b, "  - {quantity: %s, %s, %s}\n", f.Quantity, f.Pick, f.Limits)
	}
	if !decided {
		b.WriteString("registers: []\n")
	}
	for _, f := range r.Findings {
		switch f.Verdict {
		case Undecided:
			fmt.Fprintf(&b, "# Undecided: %s: %s\n", f.Quantity, f.Why)
			for _, c := range f.Candidates[:min(len(f.Candidates), 12)] {
				fmt.Fprintf(&b, "#  - {quantity: %s, %s}\n", f.Quantity, c)
			}
		case Missing:
			fmt.Fprintf(&b, "# Not found: %s: %s\n", f.Quantity, f.Why)
		}
	}
	return []byte(b.String())
}
