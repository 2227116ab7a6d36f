package web

import (
	"testing"
	"time"

	"ebbwatch/cmd/internal/facts"
	"ebbwatch/estimator/advice"
)

func TestOffersThatHelpAreShownInOrder(t *testing.T) {
	t.Parallel()
	by := time.Date(2026, 10, 8, 15, 30, 0, 0, time.UTC)
	s := &facts.Snapshot{Offers: []advice.Offer{
		{Text: "radio off 23–06 until Thu", Before: 0.72, After: 0.09, HoursGained: 31.4, ActBy: by},
		{Text: "clean the panel", Before: 0.72, After: 0.71},
		{Text: "bring 240 Wh", Before: 0.72, After: 0.4, HoursGained: 11},
	}}
	got := offerRows(s)
	want := []offerRow{
		{"radio off 23–06 until Thu", "72 % → 9 %", "31 h", "by Thu 8 Oct 15:30"},
		{"bring 240 Wh", "72 % → 40 %", "11 h", "any time"},
	}
	if len(got) != len(want) || got[0] != want[0] || got[1] != want[1] {
		t.Errorf("got  %v\nwant %v", got, want)
	}
}
