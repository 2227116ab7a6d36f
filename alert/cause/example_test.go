package cause_test

import (
	"fmt"
	"time"

	"ebbwatch/alert/cause"
)

// A node that said that it would go dark, and was back with the sun.
func ExampleJudge() {
	r := cause.Blank()
	r.Start = time.Date(2026, 1, 15, 4, 20, 0, 0, time.UTC)
	r.End = time.Date(2026, 1, 15, 11, 5, 0, 0, time.UTC)
	r.SoC, r.SoCLow, r.SoCHigh = 0.06, 0.02, 0.11
	r.CutoffChance, r.Volts, r.CutoffVolts = 0.82, 11.9, 11.6
	r.Boots, r.Uptime, r.BatteryC, r.LoadRatio = 1, 0.1, 4, 1.01
	fmt.Print(cause.Judge(r))
	// Output:
	// Silent from Thu 15 Jan 04:20 to Thu 15 Jan 11:05, 7 hours.
	// Most likely: cut-off, there was too little sun, and the load was cut off.
	//
	// cut-off
	//   for      the battery was low: 11.9 V and 6 %, the cut-off is at 11.6 V
	//   for      it had said so: a cut-off within a day with a chance of 82 %
	//   for      it went in the dark, at 04:20
	//   for      it was back with the sun, at 11:05
	//
	// creep
	//   for      the battery was low: 11.9 V and 6 %, the cut-off is at 11.6 V
	//   for      it had said so: a cut-off within a day with a chance of 82 %
	//   for      it went in the dark, at 04:20
	//   for      it was back with the sun, at 11:05
	//   against  the load was as usual
	//
	// protection lock-out
	//   for      the battery was low: 11.9 V and 6 %, the cut-off is at 11.6 V
	//   for      it had said so: a cut-off within a day with a chance of 82 %
	//   against  it came back by itself
	//
	// clock
	//   against  nothing is known of a step of the clock
	//
	// power
	//   against  the battery was low in any case: 11.9 V and 6 %, the cut-off is at 11.6 V
	//
	// path
	//   against  the board started anew
	//
	// cold (ruled out)
	//   against  it was not cold enough: battery 4 °C
}
