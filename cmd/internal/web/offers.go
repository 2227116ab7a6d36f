package web

import (
	"fmt"
	"time"

	"ebbwatch/cmd/internal/facts"
)

// offerRow is one action of the price list.
type offerRow struct{ What, Chance, Gained, By string }

// mostOffers is how many actions the page shows, and worthOffering the chance that one must take
// away to be shown.
const (
	mostOffers    = 3
	worthOffering = 0.02
)

// offerRows are the actions that help, the least sacrifice first.
func offerRows(s *facts.Snapshot) []offerRow {
	var rows []offerRow
	for _, o := range s.Offers {
		if o.Before-o.After < worthOffering || len(rows) == mostOffers {
			continue
		}
		rows = append(rows, offerRow{
			What:   o.Text,
			Chance: fmt.Sprintf("%.0f %% → %.0f %%", 100*o.Before, 100*o.After),
			Gained: fmt.Sprintf("%.0f h", o.HoursGained),
			By:     actBy(o.ActBy, s),
		})
	}
	return rows
}

func actBy(at time.Time, s *facts.Snapshot) string {
	switch {
	case at.IsZero():
		return "any time"
	case at.Before(s.At.Wall):
		return "now"
	}
	zone := s.Zone
	if zone == nil {
		zone = time.UTC
	}
	return "by " + at.In(zone).Format("Mon 2 Jan 15:04")
}
