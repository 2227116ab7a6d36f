package planning

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"ebbwatch/cmd/internal/climate"
	"ebbwatch/cmd/internal/config"
	"ebbwatch/cmd/internal/core"
	"ebbwatch/cmd/internal/statedir"
	"ebbwatch/estimator/battery"
	"ebbwatch/estimator/outlook"
	"ebbwatch/estimator/sun"
)

const small = `
site: {name: slipway, latitude: 52.75, longitude: 6.57, insolation_kwh_m2_day: [0.6, 1.2, 2.4, 4.0, 5.0, 5.3, 5.0, 4.3, 3.0, 1.7, 0.8, 0.5]}
battery: {capacity_ah: 80}
array: {watts_peak: 240, tilt_deg: 60}
`

// parse reads a configuration and its drawing; a problem ends the test.
func parse(t *testing.T, text string) (*config.Config, Drawing) {
	t.Helper()
	c, problems := config.Parse(filepath.Join(t.TempDir(), "plan.yaml"), []byte(text), config.Kinds{}, config.Need{})
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	d, problems := Decode(c)
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	return c, d
}

// made works a plan out with few winters.
func made(t *testing.T, text string, o Options) *Report {
	t.Helper()
	c, d := parse(t, text)
	if o.Winters == 0 {
		o.Winters, o.Seed, o.Brief = 20, 1, true
	}
	o.Now = time.Date(2027, 9, 14, 12, 0, 0, 0, time.UTC)
	r, err := Make(context.Background(), c, d, o)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// example is the configuration that the README starts from.
func example(t *testing.T) string {
	t.Helper()
	data, err := os.ReadFile("../../../deploy/examples/plan-slipway.yaml")
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}

func TestExampleInEveryForm(t *testing.T) {
	t.Parallel()
	r := made(t, example(t), Options{Winters: 20, Seed: 1})
	if r.Holds || !strings.HasPrefix(r.Verdict, "this kit carries ") || !strings.Contains(r.Verdict, "you draw 10.6 W") || !strings.Contains(r.Mend, "Cheapest: ") || !strings.Contains(r.Mend, "that may be charged below freezing") || !strings.Contains(r.Verdict, "the cold decides") {
		t.Errorf("verdict %q, mend %q", r.Verdict, r.Mend)
	}
	var text, page bytes.Buffer
	if err := r.Text(&text); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"THE MONTHS", "WHAT A CHANGE DOES", "SIZES THAT REACH THE TARGET", "WHAT WOULD CHANGE THE VERDICT MOST", "CABLES", "RADIO: BOATHOUSE TO SLIPWAY", "A BURIED PAIR", "Never charge LiFePO4 below 0 °C"} {
		if !strings.Contains(text.String(), want) {
			t.Errorf("the text lacks %q", want)
		}
	}
	if err := r.HTML(&page); err != nil {
		t.Fatal(err)
	}
	for _, bad := range []string{"<script", "http://", "https://", "src=", "NaN", "Inf", "ZgotmplZ", "%!"} {
		if strings.Contains(page.String(), bad) {
			t.Errorf("the page holds %q", bad)
		}
		if strings.Contains(text.String(), bad) {
			t.Errorf("the text holds %q", bad)
		}
	}
	data, err := json.Marshal(r)
	if err != nil {
		t.Fatal(err)
	}
	var back struct {
		Schema  int
		Verdict string
		Carried float64 `json:"carried_watts"`
		Years   struct {
			LLP    float64 `json:"loss_of_load"`
			Months []struct {
				Dark float64 `json:"dark_hours_mean"`
			}
		} `json:"drawn_years"`
		Frontier, Tornado, Effects []map[string]any
	}
	if err := json.Unmarshal(data, &back); err != nil {
		t.Fatal(err)
	}
	if back.Schema != 1 || back.Carried <= 0 || back.Years.LLP <= 0 || len(back.Years.Months) != 12 || len(back.Frontier) < 3 || len(back.Tornado) < 6 || len(back.Effects) < 10 {
		t.Errorf("as JSON: %.200s", data)
	}
}

// The example names every key that there is, so that nobody has to read the source.
func TestExampleNamesEveryKey(t *testing.T) {
	t.Parallel()
	text := example(t)
	var walk func(reflect.Type)
	seen := 0
	walk = func(v reflect.Type) {
		for v.Kind() == reflect.Pointer || v.Kind() == reflect.Slice {
			v = v.Elem()
		}
		if v.Kind() != reflect.Struct {
			return
		}
		for i := range v.NumField() {
			f := v.Field(i)
			if name := f.Tag.Get("yaml"); name != "" {
				seen++
				if !strings.Contains(text, name) {
					t.Errorf("the example does not name %s", name)
				}
			}
			walk(f.Type)
		}
	}
	for _, v := range []any{Load{}, Assume{}, Prices{}, Wiring{}, Radio{}} {
		walk(reflect.TypeOf(v))
	}
	if seen < 50 {
		t.Errorf("only %d keys", seen)
	}
}

// The same seed gives the same plan, another one a slightly different.
func TestSeed(t *testing.T) {
	t.Parallel()
	text := small + "loads: [{name: radio, watts: 8}]\n"
	a, b := made(t, text, Options{Winters: 20, Seed: 4}), made(t, text, Options{Winters: 20, Seed: 4})
	x, err := json.Marshal(a)
	if err != nil {
		t.Fatal(err)
	}
	y, err := json.Marshal(b)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(x, y) {
		t.Error("the same seed gives another plan")
	}
	if c := made(t, text, Options{Winters: 20, Seed: 5}); c.Outcome.LLP == a.Outcome.LLP {
		t.Error("another seed gives the same loss of load")
	}
}

// Worked by hand: 5 W behind 0.88 and 0.92 are 6.176 W at the battery.
func TestLoadsBackToTheBattery(t *testing.T) {
	t.Parallel()
	_, d := parse(t, small+`
loads:
  - {name: board, watts: 5, converter: 0.88, boost: 0.92}
  - {name: radio, watts: 10, poe_m: 30, shed: true}
  - {name: camera, watts: 4, hours: [22-02, 10-12], duty: 0.5}
  - {name: lamp, watts: 2, by_hour: [1, 1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0]}
  - {name: gauge, watts: 6, cable: {meters: 50, mm2: 1.5}}
`)
	lines := map[string]LoadLine{}
	for i := range d.Loads {
		lines[d.Loads[i].Name] = d.Loads[i].line(4)
	}
	near := func(what string, got, want, tol float64) {
		t.Helper()
		if math.Abs(got-want) > tol {
			t.Errorf("%s is %.4f, want %.4f", what, got, want)
		}
	}
	near("board", lines["board"].Battery, 6.176, 0.001)
	// 10 W at 48 V through 6 Ω (class 3 reckons 20 Ω per 100 m): 0.214 A, 0.275 W.
	near("radio", lines["radio"].Battery, 10.275/0.9, 0.01)
	near("camera", lines["camera"].Mean, 4*0.5*6/24, 1e-9)
	near("lamp", lines["lamp"].Mean, 2*2/24.0, 1e-9)
	// 50 m of fine 1.5 mm²: 1.33 Ω; 6 W at 13 V: 0.486 A, 0.314 W.
	near("gauge", lines["gauge"].Battery, 6.314, 0.01)
	near("radio at worst", lines["radio"].Worst, lines["radio"].Battery, 1e-9)
	worst := Load{Name: "radio", Watts: 6, Worst: 12, Converter: 1, PoEMeters: 30}
	// 12 W through 6 Ω at 48 V: 0.258 A, 0.40 W.
	near("12 W at worst", worst.line(4).Worst, 12.40/0.9, 0.02)
	plain := Load{Name: "board", Watts: 5, Worst: 8, Converter: 0.88}
	near("8 W at worst", plain.line(4).Worst, 8/0.88, 1e-9)
	p := profile(d.Loads, 4)
	near("23 h", p.Watts[23], lines["board"].Battery+lines["radio"].Battery+lines["gauge"].Battery+2, 1e-9)
	near("shed", p.Shed[23], lines["radio"].Battery, 1e-9)
}

func TestMistakesHaveAPlace(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]string{
		"loads: [{name: a, watts: 3, wats: 4}]":                                 `unknown key "wats"`,
		"loads: [{name: a}]":                                                    "watts",
		"loads: [{name: a, watts: 3, hours: [6-25]}]":                           `"6-25" is not a span of hours`,
		"loads: [{name: a, watts: 3, hours: [6-9], by_hour: [1]}]":              "by_hour",
		"loads: [{name: a, watts: 3, cable: {meters: 3, mm2: 2.5, awg: 12}}]":   "exactly one of mm2 and awg",
		"plan: {target: 1}":                                                     "target",
		"plan: {air_celsius: [1, 2]}":                                           "air_celsius",
		"plan: {horizon: [{azimuth: 90, height: 3}, {azimuth: 80, height: 3}]}": "clockwise",
		"plan: {sun_file: a, sun_url: b}":                                       "not both",
		"wiring: {runs: [{name: a, meters: 3, mm2: 2}]}":                        "needs watts or amps",
		"wiring: {runs: [{name: a, meters: 3, watts: 2}]}":                      "exactly one of mm2 and awg",
		"radio: {mhz: 5500}":                                                    "from",
		"radio: {mhz: 5500, from: " + end + ", to: " + end + ", profile: [{at: 5, ground: 1}, {at: 9, ground: 1}]}": "begins at 0",
	} {
		c, problems := config.Parse("plan.yaml", []byte(small+text+"\n"), config.Kinds{}, config.Need{})
		if len(problems) > 0 {
			t.Fatalf("%s: %v", text, problems)
		}
		_, problems = Decode(c)
		all := fmt.Sprint(problems)
		if len(problems) == 0 || !strings.Contains(all, want) || !strings.Contains(all, "plan.yaml:") {
			t.Errorf("%s: %v, want %q with its place", text, problems, want)
		}
	}
}

const end = "{name: a, height_m: 3, power_dbm: 20, gain_dbi: 10}"

func TestNothingToPlan(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]string{
		small: "add two lines with your own watts:\nloads:\n  - {name: radio, watts: 6}",
		strings.Replace(small, "array:", "#", 1) + "loads: [{name: a, watts: 3}]\n":           "has no section array",
		small + "loads: [{name: a, watts: 3}]\nplan: {sun_file: nothere.json}\n":              "cannot read the monthly table",
		small + "loads: [{name: a, watts: 3}]\nplan: {measured: nothere.csv}\n":               "cannot read the measured record",
		small + "loads: [{name: a, watts: 3}]\nplan: {sun_url: 'http://example.invalid/x'}\n": "only HTTPS is asked",
	} {
		c, d := parse(t, text)
		if _, err := Make(context.Background(), c, d, Options{Winters: 20}); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%.60q: %v, want %q", text, err, want)
		}
	}
}

// A table is fetched from a server on this machine; what servers do wrong is told.
func TestFetch(t *testing.T) {
	t.Parallel()
	table := "month,ghi_kwh_m2_day,t_mean_c\n"
	for i, sun := range []float64{0.6, 1.2, 2.4, 4.0, 5.0, 5.3, 5.0, 4.3, 3.0, 1.7, 0.8, 0.5} {
		table += fmt.Sprintf("%d,%.1f,%d\n", i+1, sun, i)
	}
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Header.Get("User-Agent") == "" {
			t.Error("asked without a name")
		}
		switch r.URL.Path {
		case "/table":
			fmt.Fprint(w, table)
		case "/large":
			_, _ = w.Write(bytes.Repeat([]byte(" "), mostTable+10))
		case "/none":
			fmt.Fprint(w, "sorry")
		default:
			http.NotFound(w, r)
		}
	}))
	t.Cleanup(srv.Close)
	m, err := Fetch(context.Background(), srv.URL+"/table")
	if err != nil || m.Sun[11] != 0.5 || m.Air[3] != 3 {
		t.Fatalf("%+v, %v", m, err)
	}
	for path, want := range map[string]string{"/gone": "404", "/large": "more than 8 MB", "/none": "no monthly table"} {
		if _, err := Fetch(context.Background(), srv.URL+path); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %q", path, err, want)
		}
	}
	r := made(t, strings.Replace(small, ", insolation_kwh_m2_day: [0.6, 1.2, 2.4, 4.0, 5.0, 5.3, 5.0, 4.3, 3.0, 1.7, 0.8, 0.5]", "", 1)+"loads: [{name: a, watts: 3}]\nplan: {sun_url: '"+srv.URL+"/table'}\n", Options{})
	if !strings.Contains(strings.Join(r.Notes, ""), "insolation_kwh_m2_day: [0.60, 1.20,") {
		t.Errorf("notes %q do not tell the table", r.Notes)
	}
}

// What a node learned overrides the label: a panel that gives half, a load of its own.
func TestLearnedOverridesTheLabel(t *testing.T) {
	t.Parallel()
	folder := filepath.Join(t.TempDir(), "state")
	dir, err := statedir.Open(folder)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = dir.Close() })
	pack := battery.Battery{CapacityAh: 80, Cells: 4, Reserve: 0.2, CutoffVolts: 11.6, InitialSoC: math.NaN()}
	m := core.Memory{Outlook: outlook.Model{Battery: pack}.Start(), Belief: battery.Model{Battery: pack}.Start(), Wall: time.Date(2027, 9, 1, 0, 0, 0, 0, time.UTC)}
	m.Outlook.Load.Level, m.Outlook.Load.Days = 4, 30
	m.Outlook.Panel.Days = 60
	m.Outlook.Warmth.Release, m.Outlook.Warmth.Releases = 4.5, 3
	for i := range m.Outlook.Panel.LogW {
		m.Outlook.Panel.LogW[i] = -60
	}
	m.Outlook.Panel.LogW[4] = 0
	text := small + "loads: [{name: radio, watts: 8}]\n"
	if err := dir.Save("node", m); err != nil {
		t.Fatal(err)
	}
	label, taught := made(t, text, Options{}), made(t, text, Options{Learned: folder})
	if taught.Drawn != 4 || label.Drawn != 8 {
		t.Errorf("the load is %.1f W taught and %.1f W by the list", taught.Drawn, label.Drawn)
	}
	if r := taught.Outcome.Months[5].Possible / label.Outcome.Months[5].Possible; r > 0.6 || r < 0.4 {
		t.Errorf("a panel that gives 0.43 of its label harvests %.2f of one that gives 0.88", r)
	}
	if !strings.Contains(taught.Learned, "2027-09-01") || !strings.Contains(taught.Learned, "again at 4.5 °C") || label.Learned != "" {
		t.Errorf("learned %q and %q", taught.Learned, label.Learned)
	}
	if again := made(t, text+"state: "+folder+"\n", Options{Label: true}); again.Drawn != 8 {
		t.Errorf("the label was asked for and %.1f W were taken", again.Drawn)
	}
	c, d := parse(t, text)
	if _, err := Make(context.Background(), c, d, Options{Winters: 20, Learned: t.TempDir()}); err == nil || !strings.Contains(err.Error(), "nothing is saved") {
		t.Errorf("an empty folder gives %v", err)
	}
}

// A measured record stands beside the drawn years, and gives the means where none are given.
func TestMeasuredRecordBesides(t *testing.T) {
	t.Parallel()
	file := filepath.Join(t.TempDir(), "days.csv")
	var csv strings.Builder
	csv.WriteString("date,ghi_kwh_m2,t_mean_c\n")
	for at := time.Date(2010, 6, 1, 0, 0, 0, 0, time.UTC); at.Year() < 2014; at = at.AddDate(0, 0, 1) {
		x := 2.7 - 2.3*math.Cos(2*math.Pi*float64(at.YearDay()+10)/365)
		fmt.Fprintf(&csv, "%s,%.3f,%.1f\n", at.Format(time.DateOnly), x*(0.6+0.2*float64(at.Day()%5)), 10.0)
	}
	if err := os.WriteFile(file, []byte(csv.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	text := strings.Replace(small, ", insolation_kwh_m2_day: [0.6, 1.2, 2.4, 4.0, 5.0, 5.3, 5.0, 4.3, 3.0, 1.7, 0.8, 0.5]", "", 1)
	r := made(t, text+"loads: [{name: radio, watts: 8}]\nplan: {measured: "+file+"}\n", Options{})
	if r.Measured == nil || len(r.Measured.Years) != 3 || r.Measured.Years[0].Name != "2010/11" {
		t.Fatalf("measured %+v", r.Measured)
	}
	var page bytes.Buffer
	if err := r.HTML(&page); err != nil || !strings.Contains(page.String(), "Through measured years") {
		t.Errorf("the page: %v", err)
	}
	for _, n := range r.Notes {
		if strings.Contains(n, "rough guess") {
			t.Errorf("with a record the sun is called a guess: %q", n)
		}
	}
	none := made(t, text+"loads: [{name: radio, watts: 8}]\n", Options{})
	if !strings.Contains(strings.Join(none.Notes, " "), "rough guess") {
		t.Errorf("without any sun the notes are %q", none.Notes)
	}
}

// A kit that holds says so, and wants no mending.
func TestHolds(t *testing.T) {
	t.Parallel()
	r := made(t, small+"loads: [{name: radio, watts: 1.5}]\n", Options{})
	if !r.Holds || r.Mend != "" || !strings.Contains(r.Verdict, "stays lit") {
		t.Errorf("%q, mend %q", r.Verdict, r.Mend)
	}
}

// From pole to pole a plan is made of numbers: polar nights have no sun at all.
func TestEverywhere(t *testing.T) {
	t.Parallel()
	for _, latitude := range []int{-80, -34, 0, 34, 71} {
		file := filepath.Join(t.TempDir(), "days.csv")
		var csv strings.Builder
		csv.WriteString("date,ghi_kwh_m2\n")
		for at := time.Date(2010, 1, 1, 0, 0, 0, 0, time.UTC); at.Year() < 2013; at = at.AddDate(0, 0, 1) {
			clear := 0.3 + 0.05*float64(at.Day()%6)
			fmt.Fprintf(&csv, "%s,%.3f\n", at.Format(time.DateOnly), clear*sun.DailyExtraterrestrial(at.YearDay(), float64(latitude)))
		}
		if err := os.WriteFile(file, []byte(csv.String()), 0o600); err != nil {
			t.Fatal(err)
		}
		text := fmt.Sprintf("site: {name: s, latitude: %d, longitude: -70}\nbattery: {capacity_ah: 80}\narray: {watts_peak: 240, tilt_deg: 60}\nloads: [{name: radio, watts: 4}]\nplan: {measured: %s}\n", latitude, file)
		r := made(t, text, Options{})
		if _, err := json.Marshal(r); err != nil {
			t.Errorf("at %d°: %v", latitude, err)
		}
		var page bytes.Buffer
		if err := r.HTML(&page); err != nil || strings.Contains(page.String(), "NaN") || strings.Contains(page.String(), "Inf") {
			t.Errorf("at %d°: %v, or a number that is none", latitude, err)
		}
		if far := latitude < -70 || latitude > 70; far == r.Holds {
			t.Errorf("at %d° %q", latitude, r.Verdict)
		}
	}
}

func TestCancelled(t *testing.T) {
	t.Parallel()
	c, d := parse(t, small+"loads: [{name: radio, watts: 8}]\n")
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := Make(ctx, c, d, Options{Winters: 20}); err == nil || !strings.Contains(err.Error(), "cannot finish the plan") {
		t.Errorf("a cancelled plan gives %v", err)
	}
}

// The site's own climate, fetched once into the state folder, gives sun and temperatures that
// the owner did not; what the owner gives stays.
func TestClimateOfTheSite(t *testing.T) {
	t.Parallel()
	var b strings.Builder
	b.WriteString("-BEGIN HEADER-\nLocation: Latitude  52.7500   Longitude 6.5700\nMissing: -999\n-END HEADER-\nYEAR,MO,DY,ALLSKY_SFC_SW_DWN,T2M,T2M_MIN,T2M_MAX\n")
	for d := time.Date(2001, 1, 1, 0, 0, 0, 0, time.UTC); d.Year() < 2013; d = d.AddDate(0, 0, 1) {
		wave := math.Cos(2 * math.Pi * float64(d.YearDay()-17) / 365)
		fmt.Fprintf(&b, "%d,%d,%d,%.2f,%.1f,%.1f,%.1f\n", d.Year(), d.Month(), d.Day(), 3.6*(2.7-2.1*math.Cos(2*math.Pi*float64(d.YearDay()+9)/365)), 4-12*wave, 1-12*wave, 7-12*wave)
	}
	record, err := climate.Read([]byte(b.String()), 52.75, 6.57, 12)
	if err != nil {
		t.Fatal(err)
	}
	folder := t.TempDir()
	if err := climate.Keep(folder, record); err != nil {
		t.Fatal(err)
	}
	bare := strings.Replace(small, ", insolation_kwh_m2_day: [0.6, 1.2, 2.4, 4.0, 5.0, 5.3, 5.0, 4.3, 3.0, 1.7, 0.8, 0.5]", "", 1) + "loads: [{name: a, watts: 3}]\nstate: " + folder + "\n"
	r := made(t, bare, Options{Brief: true})
	w := r.kit.Weather
	if len(r.kit.Site.Insolation) != 12 || w.Guessed || len(w.AirCelsius) != 12 || math.Abs(w.AirCelsius[0]+8) > 1 || math.Abs(w.AirCelsius[6]-16) > 1 ||
		!strings.Contains(strings.Join(r.Notes, ""), "From the record of the site's climate: ") {
		t.Errorf("sun %v, air %v, guessed %v, notes %q", r.kit.Site.Insolation, w.AirCelsius, w.Guessed, r.Notes)
	}
	own := made(t, bare+"plan: {air_celsius: [1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1]}\n", Options{Brief: true})
	if own.kit.Weather.AirCelsius[6] != 1 {
		t.Errorf("the owner's own is not used: %v", own.kit.Weather.AirCelsius)
	}
}

// The short form names a way too, where the target is missed.
func TestBriefHasARemedy(t *testing.T) {
	t.Parallel()
	r := made(t, small+"loads: [{name: a, watts: 30}]\n", Options{Winters: 20, Seed: 1, Brief: true})
	if r.Holds || !strings.Contains(r.Mend, "A load of ") {
		t.Errorf("holds %v, mend %q", r.Holds, r.Mend)
	}
}
