package lookback

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"ebbwatch/alert"
	"ebbwatch/cmd/internal/core"
	"ebbwatch/cmd/internal/replay"
	"ebbwatch/estimator/battery"
	"ebbwatch/estimator/outlook"
)

func backtestPlan() core.Plan {
	return core.Plan{
		Site: "slipway", Zone: time.UTC, Seed: 1,
		Battery: battery.Battery{CapacityAh: 80, Cells: 4, Reserve: 0.2, CutoffVolts: 11.6, InitialSoC: 0.9},
		Array:   outlook.Site{Latitude: 52.75, Longitude: 6.57, WattsPeak: 100, TiltDeg: 60, AzimuthDeg: 180, MPPT: true, Zone: time.UTC},
		Engine:  alert.Engine{Rules: alert.Builtin(), Site: "slipway", Zone: time.UTC, TripHours: 1.5},
	}
}

// dying drains until the controller takes the load off, and then lies dark.
func dying(on, off int) string {
	var b strings.Builder
	b.WriteString("time,battery_volts,battery_amps,pv_watts,load_watts,load_on\n")
	start := time.Date(2026, 1, 12, 12, 0, 0, 0, time.UTC)
	for i := range (on + off) * 12 {
		rest := "13.05,-1.5,0,19.6,1"
		if i >= on*12 {
			rest = "11.90,-0.02,0,0,0"
		}
		fmt.Fprintf(&b, "%s,%s\n", start.Add(time.Duration(i)*5*time.Minute).Format(time.RFC3339), rest)
	}
	return b.String()
}

func TestBacktestHoldsWhatWasSaidAgainstWhatCame(t *testing.T) {
	t.Parallel()
	v, err := Backtest(replay.Job{Plan: backtestPlan(), Name: "R.csv", Every: time.Hour}, []byte(dying(44, 12)))
	if err != nil {
		t.Fatal(err)
	}
	begin := time.Date(2026, 1, 14, 8, 0, 0, 0, time.UTC)
	if len(v.Outages) != 1 || !v.Outages[0].Begin.Equal(begin) || v.Outages[0].Lead < 12*time.Hour {
		t.Errorf("outages %+v, want one at %v that was warned of", v.Outages, begin)
	}
	if len(v.Alarms) == 0 || !v.Alarms[0].True {
		t.Errorf("alarms %+v, want one that came true", v.Alarms)
	}
	var text strings.Builder
	if err := v.Write(&text, time.UTC); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"Outages: 1", "2026-01-14 08:00", "Warned: 1 of 1", "0 came to nothing"} {
		if !strings.Contains(text.String(), want) {
			t.Errorf("the text lacks %q:\n%s", want, text.String())
		}
	}
}

func TestAlarmsAreJudged(t *testing.T) {
	t.Parallel()
	day := func(d int) time.Time { return time.Date(2026, 1, d, 0, 0, 0, 0, time.UTC) }
	v := Tested{
		Outages: []Outage{{Begin: day(10), End: day(11), Lead: -1}, {Begin: day(25), End: day(26), Lead: -1}},
		Alarms: []Episode{
			{Raised: day(3), Cleared: day(4)},   // six days before: came to nothing
			{Raised: day(6), Cleared: day(7)},   // cleared, and yet it came within five days
			{Raised: day(8), Cleared: day(12)},  // stood
			{Raised: day(26), Cleared: day(27)}, // after the fact
		},
	}
	v.match()
	for i, want := range []bool{false, true, true, false} {
		if v.Alarms[i].True != want {
			t.Errorf("alarm %d: %t, want %t", i, v.Alarms[i].True, want)
		}
	}
	if v.Outages[0].Lead != 48*time.Hour || v.Outages[1].Lead >= 0 {
		t.Errorf("leads %v and %v, want two days and none", v.Outages[0].Lead, v.Outages[1].Lead)
	}
}

func TestScore(t *testing.T) {
	t.Parallel()
	s := Score{Within: 72}
	at := time.Date(2026, 1, 5, 18, 0, 0, 0, time.UTC)
	for i, chance := range []float64{0.9, 0.1, 0.1, 0.9} {
		s.looks, s.outcome = append(s.looks, look{at.AddDate(0, 0, i), chance}), append(s.outcome, i == 0 || i == 3)
	}
	s.judge()
	// By hand: four times 0.1², against four times 0.5² for the mean of the month.
	if math.Abs(s.Brier-0.01) > 1e-12 || math.Abs(s.Skill-0.96) > 1e-12 || s.Came != 2 || s.Fifths[4].Looks != 2 || s.Fifths[4].Came != 1 {
		t.Errorf("got %+v", s)
	}
	none := Score{looks: s.looks[:1], outcome: []bool{false}}
	if none.judge(); !math.IsNaN(none.Skill) {
		t.Errorf("skill %g where nothing ever came", none.Skill)
	}
}

func TestLoadOffWithoutASwitchToRead(t *testing.T) {
	t.Parallel()
	text := "time,load_watts\n"
	for i := range 200 {
		watts := "12"
		if i >= 100 && i < 120 {
			watts = "0.1"
		}
		text += fmt.Sprintf("%s,%s\n", time.Date(2026, 1, 12, 0, 5*i, 0, 0, time.UTC).Format(time.RFC3339), watts)
	}
	v, err := outages([]byte(text), "R.csv", Options{})
	if err != nil || len(v.Outages) != 1 || v.Outages[0].End.Sub(v.Outages[0].Begin) != 100*time.Minute {
		t.Errorf("%+v, %v: want one outage of 100 minutes", v.Outages, err)
	}
}

// What was not measured is not "never off": nothing is judged then.
func TestBacktestWithoutALoadToRead(t *testing.T) {
	t.Parallel()
	text := "time,battery_volts,battery_amps\n"
	for i := range 60 {
		text += fmt.Sprintf("%s,12.9,-3\n", time.Date(2026, 1, 12, 0, 5*i, 0, 0, time.UTC).Format(time.RFC3339))
	}
	v, err := Backtest(replay.Job{Plan: backtestPlan(), Name: "R.csv", Every: time.Hour}, []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	var said strings.Builder
	if err := v.Write(&said, time.UTC); err != nil || !strings.Contains(said.String(), "cannot be told") || strings.Contains(said.String(), "came to nothing") || len(v.Scores) > 0 {
		t.Errorf("%v: %s", err, said.String())
	}
}

// The usual case: the board dies a few minutes after its load, which left 0.8 W of 12, and
// nothing is read until the sun brings both back. The dark lasts all the while, and counts as
// warned of; nothing is judged of a hole that nobody can tell.
func TestBoardThatDiesWithItsLoad(t *testing.T) {
	t.Parallel()
	var b strings.Builder
	b.WriteString("time,battery_volts,battery_amps,pv_watts,load_watts\n")
	start := time.Date(2026, 11, 28, 12, 0, 0, 0, time.UTC)
	died, back := start.Add(40*time.Hour), start.Add(14*24*time.Hour)
	hole := start.Add(16 * 24 * time.Hour)
	for at := start; at.Before(hole.Add(30 * time.Hour)); at = at.Add(5 * time.Minute) {
		row := "12.9,-1.6,0,12"
		switch {
		case at.Before(died.Add(-2 * time.Hour)):
		case at.Before(died):
			row = "11.65,-1.6,0,12"
		case at.Before(died.Add(10 * time.Minute)):
			row = "11.7,-0.06,0,0.8"
		case at.Before(back):
			continue
		case !at.Before(hole) && at.Before(hole.Add(4*time.Hour)):
			continue
		default:
			row = "13.3,2,60,12"
		}
		fmt.Fprintf(&b, "%s,%s\n", at.Format(time.RFC3339), row)
	}
	v, err := Backtest(replay.Job{Plan: backtestPlan(), Name: "R.csv", Every: time.Hour}, []byte(b.String()))
	if err != nil {
		t.Fatal(err)
	}
	if len(v.Outages) != 1 || !v.Outages[0].Begin.Equal(died) || !v.Outages[0].End.Equal(back) || v.Outages[0].Lead < 0 {
		t.Errorf("outages %+v, want one from %v to %v that was warned of", v.Outages, died, back)
	}
	if len(v.Unknown) != 1 || v.Unknown[0].Length() != 4*time.Hour || v.Scores[0].Open == 0 {
		t.Errorf("unknown %+v, %d open looks; want the hole of four hours, not judged", v.Unknown, v.Scores[0].Open)
	}
	for _, a := range v.Alarms {
		if !a.True && a.Raised.Before(died) {
			t.Errorf("the alarm of %v counts as false", a.Raised)
		}
	}
}
