package lookback

import (
	"cmp"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"
)

// Write tells the verdict to a person, with times of the zone.
func (v Tested) Write(w io.Writer, zone *time.Location) error {
	day := func(t time.Time) string { return t.In(zone).Format("2006-01-02 15:04") }
	var b strings.Builder
	fmt.Fprintf(&b, "From %s to %s, %.1f days\n\n", day(v.From), day(v.To), v.To.Sub(v.From).Hours()/24)
	if !v.Told {
		fmt.Fprintf(&b, "Whether the load was off cannot be told: the readings hold no load_on, load_watts or load_amps.\n"+
			"Alarms of the dark ahead: %d. Nothing can be said of how good they were.\n", len(v.Alarms))
		_, err := io.WriteString(w, b.String())
		return err
	}
	v.writeOutages(&b, day)
	for _, u := range v.Unknown {
		fmt.Fprintf(&b, "  %s  %5.1f h without a reading: whether it was dark is not known, and not judged\n", day(u.From), u.Length().Hours())
	}
	v.writeAlarms(&b, day)
	fmt.Fprintf(&b, "\nChances stated at 18 h, by what came (skill: 0 is the mean of the month, 1 is perfect)\n")
	fmt.Fprintf(&b, "%-8s %6s %6s %7s %7s   stated → came, by fifths (looks)\n", "within", "looks", "came", "Brier", "skill")
	for _, s := range v.Scores {
		fmt.Fprintf(&b, "%-8s %6d %6d %7.3f %7s  ", fmt.Sprintf("%d h", s.Within), s.Looks, s.Came, s.Brier, known(s.Skill))
		if s.Open > 0 {
			fmt.Fprintf(&b, " (%d open)", s.Open)
		}
		for _, f := range s.Fifths {
			if f.Looks > 0 {
				fmt.Fprintf(&b, " %.2f→%.2f (%d)", f.Stated, f.Came, f.Looks)
			}
		}
		b.WriteByte('\n')
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func known(x float64) string {
	if x != x {
		return "–"
	}
	return fmt.Sprintf("%.2f", x)
}

func (v Tested) writeOutages(b *strings.Builder, day func(time.Time) string) {
	if len(v.Outages) == 0 {
		b.WriteString(map[bool]string{true: "The load was never off.\n", false: "The load was never off while there were readings.\n"}[len(v.Unknown) == 0])
		return
	}
	fmt.Fprintf(b, "Outages: %d\n", len(v.Outages))
	var leads []time.Duration
	for _, o := range v.Outages {
		said := "not warned"
		if o.Lead >= 0 {
			said = fmt.Sprintf("warned %.0f h before", o.Lead.Hours())
			leads = append(leads, o.Lead)
		}
		fmt.Fprintf(b, "  %s  %5.1f h dark, %s\n", day(o.Begin), o.End.Sub(o.Begin).Hours(), said)
	}
	if len(leads) > 0 {
		slices.SortFunc(leads, cmp.Compare)
		fmt.Fprintf(b, "Warned: %d of %d, median lead %.0f h\n", len(leads), len(v.Outages), leads[len(leads)/2].Hours())
	}
}

func (v Tested) writeAlarms(b *strings.Builder, day func(time.Time) string) {
	wrong := slices.DeleteFunc(slices.Clone(v.Alarms), func(e Episode) bool { return e.True })
	fmt.Fprintf(b, "Alarms of the dark ahead: %d, of which %d came to nothing\n", len(v.Alarms), len(wrong))
	for _, e := range wrong {
		end := "still standing"
		if !e.Cleared.IsZero() {
			end = "cleared " + day(e.Cleared)
		}
		fmt.Fprintf(b, "  %s  %s\n", day(e.Raised), end)
	}
}
