package lookback_test

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"ebbwatch/alert"
	"ebbwatch/alert/cause"
	"ebbwatch/cmd/internal/facts/factstest"
	"ebbwatch/cmd/internal/history"
	"ebbwatch/cmd/internal/lookback"
	"ebbwatch/collector/reading"
	"ebbwatch/estimator/battery"
	"ebbwatch/estimator/outlook"
	"ebbwatch/estimator/sun"
)

func nan() float64 { return math.NaN() }

func site() outlook.Site {
	return outlook.Site{Latitude: 52.75, Longitude: 6.57, AltitudeM: 12, WattsPeak: 240, TiltDeg: 60, AzimuthDeg: 180, MPPT: true}
}

func theBattery() battery.Battery {
	return battery.Battery{CapacityAh: 80, Cells: 4, Reserve: 0.2}
}

func begin() time.Time { return time.Date(2026, 1, 10, 0, 0, 0, 0, time.UTC) }

// clearJoules is what a label of the site's watts gives in five minutes of clear sky.
func clearJoules(t time.Time, air float64) (joules, azimuth, elevation float64) {
	a := site()
	at := sun.Look(t.Add(150*time.Second), a.Latitude, a.Longitude, a.AltitudeM)
	if at.Top <= 0 {
		return 0, 0, at.Elevation
	}
	plane := sun.Plane{TiltDeg: a.TiltDeg, AzimuthDeg: a.AzimuthDeg, Albedo: 0.2}
	light := plane.HayDavies(at.Top, plane.BeamRatio(at.Elevation, at.Azimuth), at.Clear, at.Clear*sun.Diffuse(at.Clear/at.Top)).Total()
	return sun.Panel{WattsPeak: a.WattsPeak, Cells: 36}.MPPT(light, sun.CellCelsius(air, light, 45)) * 300, at.Azimuth, at.Elevation
}

// truth is what was put into an invented winter.
type truth struct {
	lost map[lookback.Cause]float64 // Wh
}

// winter invents 70 days of a panel that gives 0.9 of its label: clear half of the hours,
// cloudy the others, and what the name of the trouble says.
func winter(trouble lookback.Cause) ([]lookback.Step, truth) {
	rng := rand.New(rand.NewPCG(7, 8))
	tr := truth{lost: map[lookback.Cause]float64{}}
	var steps []lookback.Step
	sky := 1.0
	for i := range 70 * 288 {
		t := begin().Add(time.Duration(i) * 5 * time.Minute)
		day := i / 288
		if i%12 == 0 {
			if sky = 1; rng.Float64() < 0.5 {
				sky = 0.1 + 0.5*rng.Float64()
			}
		}
		s := lookback.Step{At: t, Span: 5 * time.Minute, Volts: 13.2, VoltsLow: 13.1, SoC: 0.6, SoCLow: 0.55, LoadWatts: 12, UnmeteredWatts: 1,
			PanelVolts: 30, BatteryCelsius: 8, AirCelsius: 5, LoadOn: 1, Stage: float64(reading.Bulk), SoCHigh: 0.65,
			Chance24: nan(), Chance72: nan(), PVSky: nan(), ControllerCelsius: nan(), Boot: 1, UptimeLow: float64(300 * i), UptimeHigh: float64(300*i + 290)}
		clear, azimuth, _ := clearJoules(t, s.AirCelsius)
		could := 0.9 * clear
		s.PV = could * sky
		lose := func(c lookback.Cause, left float64) {
			tr.lost[c] += (could - left) / 3600
			s.PV = left
		}
		switch {
		case trouble == lookback.Snow && day >= 20 && day < 24:
			s.AirCelsius = -3
			clear, _, _ = clearJoules(t, -3)
			could = 0.9 * clear
			lose(lookback.Snow, 0.005*could)
		case trouble == lookback.Full && day%3 == 0 && i%288 > 140:
			s.Stage, s.SoC = float64(reading.Float), 0.99
			lose(lookback.Full, 0.15*could)
		case trouble == lookback.Cold && day >= 30 && day < 33:
			s.BatteryCelsius = -2
			lose(lookback.Cold, 0)
		case trouble == lookback.Fault && day >= 40 && day < 43:
			s.Stage = float64(reading.Fault)
			lose(lookback.Fault, 0)
		case trouble == lookback.Shade && azimuth >= 195 && azimuth < 225:
			tr.lost[lookback.Shade] += could * sky * 0.6 / 3600
			s.PV *= 0.4
		case trouble == lookback.Dirt:
			keep := 1 - 0.25*float64(day)/70
			tr.lost[lookback.Dirt] += could * sky * (1 - keep) / 3600
			s.PV *= keep
		}
		s.ChargeWatts = 0.97 * s.PV / 300
		s.Load = 12 * 300
		flow := s.ChargeWatts*300 - s.Load
		s.BatteryIn, s.BatteryOut = max(flow, 0), max(-flow, 0)
		steps = append(steps, s)
	}
	return steps, tr
}

func input(steps []lookback.Step) lookback.Input {
	return lookback.Input{Site: "slipway", From: begin(), To: begin().Add(70 * 24 * time.Hour), Battery: theBattery(), Array: site(), Steps: steps, Health: nan()}
}

// Each trouble is put in with a known loss and must be found with that loss, within a
// quarter; the other troubles must not be blamed.
func TestMissingHarvestIsBlamedOnItsCause(t *testing.T) {
	t.Parallel()
	for _, c := range lookback.Causes() {
		t.Run(string(c), func(t *testing.T) {
			t.Parallel()
			steps, tr := winter(c)
			r := lookback.Make(input(steps))
			got, want := r.Harvest.Missing[c], tr.lost[c]
			if c != lookback.Weather && math.Abs(got-want) > 0.25*want {
				t.Errorf("%.0f Wh are blamed on %s, %.0f were lost to it", got, c, want)
			}
			for other, wh := range r.Harvest.Missing {
				if other != c && other != lookback.Weather && wh > 0.03*r.Harvest.Clear {
					t.Errorf("%.0f Wh are blamed on %s", wh, other)
				}
			}
			if r.Harvest.Assumed || math.Abs(r.Harvest.Ratio-0.9) > 0.03 {
				t.Errorf("the panel is said to give %.2f of its label (assumed: %v), gives 0.90", r.Harvest.Ratio, r.Harvest.Assumed)
			}
			t.Logf("%s: blamed %.0f Wh, lost %.0f; of the weather %.0f", c, got, want, r.Harvest.Missing[lookback.Weather])
		})
	}
}

func TestShadeIsFoundWhereItIs(t *testing.T) {
	t.Parallel()
	steps, _ := winter(lookback.Shade)
	r := lookback.Make(input(steps))
	if n := len(r.Harvest.Shaded); n != 1 || r.Harvest.Shaded[0].From != 195 || r.Harvest.Shaded[0].To != 225 {
		t.Errorf("shade %+v, want 195° to 225°", r.Harvest.Shaded)
	}
}

// The ledger's sums are those of the steps, and what went in came out somewhere.
func TestLedger(t *testing.T) {
	t.Parallel()
	steps, _ := winter(lookback.Weather)
	l := lookback.Make(input(steps)).Ledger
	var pv float64
	for _, s := range steps {
		pv += s.PV / 3600
	}
	for name, c := range map[string][2]float64{
		"panel": {l.Panel, pv}, "load": {l.Load, 12 * 24 * 70}, "past the meter": {l.Unmetered, 24 * 70},
		"controller": {l.Converter, 0.03 * pv}, "stored": {l.Stored, 0}, "unaccounted": {l.Unaccounted, 0},
	} {
		if math.Abs(c[0]-c[1]) > 1 {
			t.Errorf("%s: %.1f Wh, want %.1f", name, c[0], c[1])
		}
	}
	for i := range steps {
		steps[i].BatteryIn, steps[i].BatteryOut = nan(), nan()
	}
	if l := lookback.Make(input(steps)).Ledger; !math.IsNaN(l.Unaccounted) || !math.IsNaN(l.Into) {
		t.Errorf("without a battery meter %+v is known", l)
	}
}

func TestLoadCreep(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name  string
		watts float64
		found bool
	}{{"none", 0, false}, {"a trifle", 0.2, false}, {"a camera", 2.5, true}, {"something was switched off", -3, true}} {
		steps, _ := winter(lookback.Weather)
		rng := rand.New(rand.NewPCG(1, 1))
		for i := range steps {
			steps[i].LoadWatts += rng.NormFloat64() // and a day's own swing
			steps[i].LoadWatts += 0.4 * math.Sin(float64(i/288))
			if i/288 >= 35 {
				steps[i].LoadWatts += c.watts
			}
		}
		got := lookback.Make(input(steps)).Creep
		switch {
		case (got != nil) != c.found:
			t.Errorf("%s: found %+v", c.name, got)
		case got != nil && (got.Since.Sub(begin().Add(35*24*time.Hour)).Abs() > 24*time.Hour || math.Abs(got.After-got.Before-c.watts) > 0.3):
			t.Errorf("%s: found %+v, want %v W since day 35", c.name, got, c.watts)
		}
	}
}

// Warnings are held against what happened: right, in vain, and missing.
func TestWarningsAreJudged(t *testing.T) {
	t.Parallel()
	steps, _ := winter(lookback.Weather)
	off := func(day, from, to int) {
		for i := day*288 + from*12; i < day*288+to*12; i++ {
			steps[i].LoadOn, steps[i].LoadWatts = 0, 0
		}
	}
	off(20, 3, 9)
	off(50, 4, 7)
	at := func(day, hour int) time.Time { return begin().Add(time.Duration(day*24+hour) * time.Hour) }
	in := input(steps)
	in.Notices = []alert.Notice{
		{ID: "a", Rule: "cutoff_ahead", Phase: alert.Raised, At: at(18, 9), Title: "may go dark"},
		{ID: "a", Rule: "cutoff_ahead", Phase: alert.Changed, At: at(19, 9)},
		{ID: "a", Rule: "cutoff_ahead", Phase: alert.Cleared, At: at(21, 12)},
		{ID: "b", Rule: "cutoff_ahead", Phase: alert.Raised, At: at(30, 9), Title: "may go dark"},
		{ID: "b", Rule: "cutoff_ahead", Phase: alert.Cleared, At: at(32, 9)},
		{ID: "c", Rule: "source_silent", Phase: alert.Raised, At: at(33, 9)},
	}
	r := lookback.Make(in)
	if len(r.Dark) != 2 || r.Dark[0].Length() != 6*time.Hour {
		t.Fatalf("dark %v", r.Dark)
	}
	if len(r.Warnings) != 2 || r.Warnings[0].Lead != 42*time.Hour || !r.Warnings[1].Came.IsZero() || r.Warnings[1].Open {
		t.Errorf("warnings %+v", r.Warnings)
	}
	if len(r.Unwarned) != 1 || !r.Unwarned[0].From.Equal(at(50, 4)) {
		t.Errorf("unwarned %v", r.Unwarned)
	}
}

func TestParseNotices(t *testing.T) {
	t.Parallel()
	got, err := lookback.ParseNotices([]json.RawMessage{[]byte(`{"id":"a","rule":"cutoff_ahead","phase":"raised","at":"2026-01-12T09:00:00Z"}`)})
	if err != nil || len(got) != 1 || got[0].Phase != alert.Raised || got[0].At.Day() != 12 {
		t.Errorf("%+v, %v", got, err)
	}
	if got, err := lookback.ParseNotices(nil); got == nil || err != nil {
		t.Errorf("none are %v, %v; want an empty list", got, err)
	}
	if _, err := lookback.ParseNotices([]json.RawMessage{[]byte(`{"at":5}`)}); err == nil || !strings.Contains(err.Error(), "notice 1") {
		t.Errorf("%v", err)
	}
}

func TestGapsAndEmptyRecord(t *testing.T) {
	t.Parallel()
	steps, _ := winter(lookback.Weather)
	in := input(append(steps[:288:288], steps[288+72:]...))
	r := lookback.Make(in)
	if len(r.Silences) != 1 || r.Silences[0].NoRecord != 6*time.Hour || r.Silences[0].Verdict.Cause != cause.Stopped || r.Silences[0].Dark != cause.Unknown {
		t.Errorf("silences %+v", r.Silences)
	}
	in.Steps = nil
	var b strings.Builder
	if err := lookback.Make(in).Text(&b); err != nil || !strings.Contains(b.String(), "There is no record of this time.") {
		t.Errorf("without a record: %s %v", b.String(), err)
	}
	b.Reset()
	if err := lookback.Make(in).HTML(&b); err != nil || strings.Contains(b.String(), "NaN") {
		t.Errorf("without a record: %v", err)
	}
}

func rich(t *testing.T) lookback.Report {
	t.Helper()
	steps, _ := winter(lookback.Shade)
	for i := range steps {
		steps[i].Peers = map[string]lookback.PeerStep{"gate": {1, 0.01, 0.003}, "island": {float64(i / 288 % 2), 0.5, nan()}}
		if i/288 >= 35 {
			steps[i].LoadWatts += 2
		}
		steps[i].SoC = 0.6 - 0.4*math.Sin(float64(i)/4000)
	}
	in := input(steps)
	in.Notices = []alert.Notice{{ID: "a", Rule: "cutoff_ahead", Phase: alert.Raised, At: begin().Add(100 * time.Hour), Title: `<b>may go dark</b>`}}
	in.Health, in.Record = 0.94, "Forecasts of going dark within 3 days: none of 40 that said unlikely (one a day, 40 so far)."
	return lookback.Make(in)
}

// EBBWATCH_GOLDEN=1 writes the text anew, and EBBWATCH_SHOTS names a folder for the page.
func TestText(t *testing.T) {
	t.Parallel()
	var b strings.Builder
	if err := rich(t).Text(&b); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join("testdata", "report.txt")
	if os.Getenv("EBBWATCH_GOLDEN") != "" {
		if err := os.WriteFile(file, []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if b.String() != string(want) {
		t.Errorf("the text is now:\n%s", b.String())
	}
}

// The page needs nothing but itself, and takes no markup from a title.
func TestHTML(t *testing.T) {
	t.Parallel()
	var b strings.Builder
	if err := rich(t).HTML(&b); err != nil {
		t.Fatal(err)
	}
	page := b.String()
	if dir := os.Getenv("EBBWATCH_SHOTS"); dir != "" {
		if err := os.WriteFile(filepath.Join(dir, "report.html"), []byte(page), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if m := regexp.MustCompile(`(?i)( src=| href=|url\(|@import|<script|http:|https:)`).FindString(page); m != "" {
		t.Errorf("the page holds %q", m)
	}
	if strings.Contains(page, "<b>") || strings.Contains(page, "NaN") || strings.Contains(page, "ZgotmplZ") {
		t.Error("markup, an unknown number or a refused value came through")
	}
	if n := strings.Count(page, "<h2"); n < 6 {
		t.Errorf("%d parts, want six or more", n)
	}
	if n := strings.Count(page, `role="img" aria-label="`); n != 2 {
		t.Errorf("%d pictures with a text alternative, want 2", n)
	}
}

// The whole way: recorded by the history, read over the wire in steps of five minutes.
func TestLoadOverTheWire(t *testing.T) {
	t.Parallel()
	store := history.Open(history.Options{Path: filepath.Join(t.TempDir(), "history.db"), Peers: []string{"gate"}, Every: time.Second})
	defer func() {
		if err := store.Close(context.Background()); err != nil {
			t.Error(err)
		}
	}()
	const minutes = 6 * 24 * 60 // more than one chunk
	joules := 0.0
	for m := range minutes {
		s := factstest.Rich()
		joules += 60 * float64(m%60)
		s.Energy = map[string]float64{"pv": joules}
		mono := time.Duration(m) * time.Minute
		s.At = reading.Stamp{Mono: mono, Wall: begin().Add(mono), Trusted: true}
		for q := range s.Reading {
			s.Reading[q].Age = 0
		}
		s.Peers[0].Age = 0
		s.Reading[reading.PanelWatts].X = float64(m % 60)
		store.Add(s)
		if m%240 == 0 {
			if err := store.Flush(t.Context()); err != nil {
				t.Fatal(err)
			}
		}
	}
	srv := httptest.NewServer(store)
	defer srv.Close()
	var said []string
	steps, err := lookback.Load(t.Context(), history.Client{URL: srv.URL}, begin(), begin().Add(6*24*time.Hour), []string{"gate"},
		func(x float64) { said = append(said, fmt.Sprintf("%.2f", x)) })
	if err != nil {
		t.Fatal(err)
	}
	if len(steps) != 6*288 || strings.Join(said, " ") != "0.67 1.00" {
		t.Fatalf("%d steps, progress %v; want %d", len(steps), said, 6*288)
	}
	s := steps[100] // 08:20: minutes 20 to 24
	if s.Span != 5*time.Minute || !s.At.Equal(begin().Add(500*time.Minute)) || math.Abs(s.PV-60*(20+21+22+23+24)) > 1 || s.Peers["gate"].Up != 1 ||
		math.Abs(s.ChargeWatts-2.83*13.21) > 0.01 || s.Stage != float64(reading.Bulk) || s.LoadOn != 1 {
		t.Errorf("step %+v", s)
	}
	if _, err := lookback.Load(t.Context(), history.Client{URL: srv.URL}, begin(), begin().Add(time.Hour), []string{"nobody"}, nil); err == nil || !strings.Contains(err.Error(), "nobody") {
		t.Errorf("an unknown peer: %v", err)
	}
}

// The report for a program: a schema, the silences with their verdicts, and nothing unknown
// as a number.
func TestJSON(t *testing.T) {
	t.Parallel()
	steps, _ := winter(lookback.Weather)
	for i := range steps[:400] {
		steps[i].SoC = nan()
	}
	r := lookback.Make(input(append(steps[:288:288], steps[288+72:]...)))
	var b strings.Builder
	if err := r.JSON(&b); err != nil {
		t.Fatal(err)
	}
	var got struct {
		Schema   int
		Silences []struct {
			Hours   float64
			Dark    *string
			Verdict struct{ Cause, Sentence string }
		}
		Days []struct {
			Date   string
			Lowest *float64 `json:"lowest_soc_ratio"`
		}
	}
	if err := json.Unmarshal([]byte(b.String()), &got); err != nil {
		t.Fatal(err)
	}
	if got.Schema != 1 || len(got.Silences) != 1 || got.Silences[0].Hours != 6 || *got.Silences[0].Dark != "" || got.Silences[0].Verdict.Cause != string(cause.Stopped) {
		t.Errorf("%+v", got.Silences)
	}
	if len(got.Days) != 70 || got.Days[0].Lowest != nil || got.Days[5].Lowest == nil {
		t.Errorf("%d days, the first %+v", len(got.Days), got.Days[0])
	}
}

// A warning that stood when the dark began was a warning of it, also where it had come true
// before and was sent before the span.
func TestOneWarningForTwoDarks(t *testing.T) {
	t.Parallel()
	steps, _ := winter(lookback.Weather)
	for _, day := range []int{20, 22} {
		for i := day*288 + 36; i < day*288+96; i++ {
			steps[i].LoadOn, steps[i].LoadWatts = 0, 0
		}
	}
	in := input(steps)
	in.From = begin().AddDate(0, 0, 19)
	raised := begin().AddDate(0, 0, 18)
	in.Notices = []alert.Notice{{ID: "a", Rule: "cutoff_ahead", Phase: alert.Raised, At: raised, Title: "may go dark"},
		{ID: "b", Rule: "cutoff_ahead", Phase: alert.Raised, At: begin(), Title: "may go dark"}, {ID: "b", Rule: "cutoff_ahead", Phase: alert.Cleared, At: begin().AddDate(0, 0, 2)}}
	r := lookback.Make(in)
	if len(r.Silences) != 2 || !r.Silences[0].Warned.Equal(raised) || !r.Silences[1].Warned.Equal(raised) || len(r.Unwarned) != 0 || len(r.Warnings) != 1 {
		t.Errorf("%d silences, %d unwarned, warnings %+v", len(r.Silences), len(r.Unwarned), r.Warnings)
	}
}
