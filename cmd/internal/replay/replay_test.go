package replay

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"ebbwatch/alert"
	"ebbwatch/cmd/internal/core"
	"ebbwatch/collector/reading"
	"ebbwatch/estimator/battery"
	"ebbwatch/estimator/outlook"
)

func testPlan() core.Plan {
	return core.Plan{
		Site: "slipway", Zone: time.UTC, Seed: 1,
		Battery: battery.Battery{CapacityAh: 80, Cells: 4, Reserve: 0.2, CutoffVolts: 11.6, InitialSoC: 0.9},
		Array:   outlook.Site{Latitude: 52.75, Longitude: 6.57, WattsPeak: 100, TiltDeg: 60, AzimuthDeg: 180, MPPT: true, Zone: time.UTC},
		Engine:  alert.Engine{Rules: alert.Builtin(), Site: "slipway", Zone: time.UTC, TripHours: 1.5},
	}
}

// draining is a battery that loses 1.5 A from a January noon on, a row every five minutes. The last
// digits move, as meters' do: an instrument of which nothing moves for half a day is not believed.
func draining(hours int) string {
	var b strings.Builder
	b.WriteString("time,battery_volts,battery_amps,pv_watts,load_watts\n")
	start := time.Date(2026, 1, 12, 12, 0, 0, 0, time.UTC)
	for i := range hours * 12 {
		digit := float64(i % 2)
		fmt.Fprintf(&b, "%s,%.2f,%.2f,0,19.6\n", start.Add(time.Duration(i)*5*time.Minute).Format(time.RFC3339), 13.05+0.01*digit, -1.51+0.02*digit)
	}
	return b.String()
}

// lived is what came of a replay.
type lived struct {
	sum       Summary
	estimates [][]string
	notices   []alert.Notice
	raw       string
}

func live(t *testing.T, readings string, forecasts []*reading.Forecast) lived {
	t.Helper()
	var estimates, notices bytes.Buffer
	job := Job{
		Plan: testPlan(), Readings: strings.NewReader(readings), Name: "R.csv", Forecasts: forecasts,
		Every: time.Hour, Estimates: &estimates, Notices: &notices,
	}
	sum, err := job.Run()
	if err != nil {
		t.Fatal(err)
	}
	out := lived{sum: sum, raw: estimates.String()}
	if out.estimates, err = csv.NewReader(&estimates).ReadAll(); err != nil {
		t.Fatal(err)
	}
	for dec := json.NewDecoder(&notices); dec.More(); {
		var n alert.Notice
		if err := dec.Decode(&n); err != nil {
			t.Fatal(err)
		}
		out.notices = append(out.notices, n)
	}
	return out
}

func TestEstimates(t *testing.T) {
	t.Parallel()
	got := live(t, draining(30), nil)
	want := "time,soc,soc_low,soc_high,cutoff_hours_p10,cutoff_hours_p50,cutoff_hours_p90," +
		"cutoff_within_24h,cutoff_within_48h,cutoff_within_72h,cutoff_within_120h,cutoff_within_168h," +
		"reserve_hours_p10,reserve_hours_p50,reserve_hours_p90," +
		"reserve_within_24h,reserve_within_48h,reserve_within_72h,reserve_within_120h,reserve_within_168h"
	if head := strings.Join(got.estimates[0], ","); head != want {
		t.Errorf("header\n%s\nwant\n%s", head, want)
	}
	if rows := got.estimates[1:]; len(rows) != 30 || rows[0][0] != "2026-01-12T12:00:00Z" || rows[29][0] != "2026-01-13T17:00:00Z" {
		t.Fatalf("%d rows from %s, want 30 on the hour", len(rows), rows[0][0])
	}
	last := got.estimates[30]
	// 29 h at 1.5 A take 43.5 Ah of 80 Ah from 0.9: the arithmetic of a bucket as good as its
	// label. The belief expects some age and some load past the meters, so the bucket may
	// stand at the edge of its band.
	soc, low, high := number64(t, last[1]), number64(t, last[2]), number64(t, last[3])
	if bucket := 0.9 - 43.5/80; low > bucket || bucket > high+0.05 || soc < low || soc > high {
		t.Errorf("charge %.3f (%.3f to %.3f) after 29 h, the bucket holds %.3f", soc, low, high, bucket)
	}
	if h := number64(t, last[5]); h < 6 || h > 36 {
		t.Errorf("cut-off in %g h: 28 Ah at 1.5 A last 19 h", h)
	}
	if len(got.notices) == 0 || got.sum.Notices != len(got.notices) {
		t.Errorf("%d notices, summary says %d; want a warning", len(got.notices), got.sum.Notices)
	}
}

func number64(t *testing.T, cell string) float64 {
	t.Helper()
	var x float64
	if _, err := fmt.Sscanf(cell, "%g", &x); err != nil {
		t.Fatalf("%q is not a number: %v", cell, err)
	}
	return x
}

func TestSameInputsSameOutputs(t *testing.T) {
	t.Parallel()
	if a, b := live(t, draining(12), nil), live(t, draining(12), nil); a.raw != b.raw {
		t.Error("two replays of one file differ")
	}
}

// An estimate may use nothing that was read after its time: what a shorter file gives is
// the beginning of what the longer one gives.
func TestNothingIsKnownBeforeItsTime(t *testing.T) {
	t.Parallel()
	long, short := live(t, draining(24), nil), live(t, draining(10), nil)
	if !strings.HasPrefix(long.raw, short.raw) {
		t.Error("later readings changed earlier estimates")
	}
	at := time.Date(2026, 1, 12, 20, 30, 0, 0, time.UTC)
	sunny := reading.Forecast{Issued: at}
	for h := range 168 {
		sunny.Hours = append(sunny.Hours, reading.ForecastHour{
			Start: at.Truncate(time.Hour).Add(time.Duration(h) * time.Hour), GHI: 400, CloudRatio: math.NaN(), AirCelsius: math.NaN(),
		})
	}
	with := live(t, draining(24), []*reading.Forecast{&sunny})
	for i, row := range with.estimates[1:] {
		same := strings.Join(row, ",") == strings.Join(long.estimates[i+1], ",")
		if before := row[0] < "2026-01-12T20:30:00Z"; before && !same {
			t.Errorf("%s: a forecast that was not yet issued was used", row[0])
		}
	}
}

func TestGapsDuplicatesAndLateRows(t *testing.T) {
	t.Parallel()
	rows := strings.Split(strings.TrimSpace(draining(24)), "\n")
	var kept []string
	for i, row := range rows {
		switch {
		case i > 60 && i < 180: // ten hours are missing
		case i == 200:
			kept = append(kept, row, row, rows[190]) // twice, and a late one
		case i == 210:
			kept = append(kept, strings.Split(row, ",")[0]+",,,,") // nothing but a time
		default:
			kept = append(kept, row)
		}
	}
	got := live(t, strings.Join(kept, "\n"), nil)
	if got.sum.Skipped != 2 {
		t.Errorf("%d rows skipped, want 2", got.sum.Skipped)
	}
	if n := len(got.estimates) - 1; n != 24 {
		t.Fatalf("%d estimates, want one an hour through the gap", n)
	}
	width := func(i int) float64 { return number64(t, got.estimates[i][3]) - number64(t, got.estimates[i][2]) }
	if before, after := width(6), width(15); after <= before { // the sixth is of the last row before the gap
		t.Errorf("the band was %.3f before the gap and %.3f after nine hours of it: it must grow", before, after)
	}
}

func TestBadFiles(t *testing.T) {
	t.Parallel()
	tests := map[string]string{
		"":                         "cannot read the header of R.csv: the file is empty",
		"battery_volts\n":          `cannot use R.csv:1: there is no column "time"`,
		"time,battery_volt\n":      `cannot use R.csv:1: column 2: "battery_volt" is not a quantity (did you mean "battery_volts"?)`,
		"time,pv_watts,pv_watts\n": `cannot use R.csv:1: column 3: "pv_watts" stands twice`,
		"time,pv_watts\n":          "cannot replay R.csv: it holds no rows",
		"time,pv_watts\n2026-01-12T12:10:00Z,1\n2026-01-12T12:05:00Z,1\n2026-01-12T12:00:00Z,1\n": "cannot replay R.csv: 2 of its 3 rows are not later than the row before; sort it by time",
		"time,pv_watts\nyesterday,5\n":                                      `cannot use R.csv:2:1: "yesterday" is not a time such as 2026-01-31T09:05:00Z`,
		"time,pv_watts\n2026-01-12T12:00:00Z,lots\n":                        `cannot use R.csv:2:22: "lots" is not a number for pv_watts`,
		"time,pv_watts\n2026-01-12T12:00:00Z,NaN\n":                         `cannot use R.csv:2:22: "NaN" is not a number for pv_watts`,
		"time,charge_state\n2026-01-12T12:00:00Z,asleep\n":                  `cannot use R.csv:2:22: "asleep" is not a number for charge_state`,
		"time,pv_watts\n2026-01-12T12:00:00Z,1\n2026-01-12T12:05:00Z,1,1\n": "cannot read R.csv: record on line 3: wrong number of fields",
	}
	for text, want := range tests {
		var sink bytes.Buffer
		_, err := Job{Plan: testPlan(), Readings: strings.NewReader(text), Name: "R.csv", Every: time.Hour, Estimates: &sink, Notices: &sink}.Run()
		if err == nil || err.Error() != want {
			t.Errorf("%q:\ngot  %v\nwant %s", text, err, want)
		}
	}
}

func TestChargeStateByName(t *testing.T) {
	t.Parallel()
	f, err := OpenReadings(strings.NewReader("charge_state,time\nabsorption,2026-01-12T12:00:00+01:00\n"), "R.csv")
	if err != nil {
		t.Fatal(err)
	}
	row, err := f.Next()
	want := reading.Value{Quantity: reading.ChargeStage, X: float64(reading.Absorption)}
	if err != nil || len(row.Values) != 1 || row.Values[0] != want {
		t.Errorf("got %+v, %v", row, err)
	}
}

func FuzzReadings(f *testing.F) {
	f.Add("time,battery_volts\n2026-01-12T12:00:00Z,13.1\n")
	f.Add("time,charge_state,load_on\n2026-01-12T12:00:00Z,float,1\n")
	f.Fuzz(func(t *testing.T, text string) {
		file, err := OpenReadings(strings.NewReader(text), "R.csv")
		if err != nil {
			return
		}
		for range 100 {
			row, err := file.Next()
			if err != nil {
				return
			}
			for _, v := range row.Values {
				if math.IsNaN(v.X) || v.Quantity >= reading.NumSite {
					t.Fatalf("took %+v", v)
				}
			}
		}
	})
}
