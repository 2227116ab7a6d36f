package climate

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"ebbwatch/collector/needtest"
)

// Rothamsted, 1979 to 1998: what the answers below are made of. Source: weather files distributed
// with the DSSAT crop model data (DSSAT Foundation).
const lat, lon = 51.81, -0.36

type measured struct {
	at             time.Time
	sun            float64 // kWh/m²
	mean, min, max float64
}

func days(t *testing.T) (out []measured) {
	t.Helper()
	for _, r := range needtest.Rows(t, "climates/rothamsted_daily.csv") {
		at, err := time.Parse(time.DateOnly, r[0])
		if err != nil || at.Year() < 1979 || at.Year() > 1998 {
			continue
		}
		x := measured{at: at}
		for i, to := range []*float64{&x.sun, &x.mean, &x.min, &x.max} {
			if *to, err = strconv.ParseFloat(r[i+1], 64); err != nil {
				t.Fatal(err)
			}
		}
		out = append(out, x)
	}
	return out
}

// dailyJSON is an answer of objects whose keys are dates; -999 is missing.
func dailyJSON(all []measured, lat, lon, per float64) string {
	series := map[string]map[string]float64{"ALLSKY_SFC_SW_DWN": {}, "T2M": {}, "T2M_MIN": {}, "T2M_MAX": {}}
	for i, x := range all {
		key := x.at.Format("20060102")
		series["ALLSKY_SFC_SW_DWN"][key], series["T2M"][key] = x.sun*per, x.mean
		series["T2M_MIN"][key], series["T2M_MAX"][key] = x.min, x.max
		if i%50 == 7 {
			series["ALLSKY_SFC_SW_DWN"][key] = -999
		}
	}
	body, err := json.Marshal(map[string]any{
		"type": "Feature", "geometry": map[string]any{"type": "Point", "coordinates": []float64{lon, lat, 100}},
		"properties": map[string]any{"parameter": series}, "header": map[string]any{"fill_value": -999.0},
	})
	if err != nil {
		panic(err)
	}
	return string(body)
}

// monthlyJSON is an answer of an object a month, with the month's sum.
func monthlyJSON(all []measured) string {
	type month struct {
		Year  int     `json:"year"`
		Month int     `json:"month"`
		Sun   float64 `json:"H(h)_m"`
		Mean  float64 `json:"T2m"`
	}
	var out []month
	n := 0.0
	for _, x := range all {
		if len(out) == 0 || out[len(out)-1].Month != int(x.at.Month()) {
			out, n = append(out, month{Year: x.at.Year(), Month: int(x.at.Month())}), 0
		}
		m := &out[len(out)-1]
		n++
		m.Sun += x.sun
		m.Mean += (x.mean - m.Mean) / n
	}
	body, err := json.Marshal(map[string]any{
		"inputs":  map[string]any{"location": map[string]any{"latitude": lat, "longitude": lon, "elevation": 128.0}},
		"outputs": map[string]any{"monthly": out},
	})
	if err != nil {
		panic(err)
	}
	return string(body)
}

// csvOf is a table with words before it and a column for each part of the date.
func csvOf(all []measured) string {
	var b strings.Builder
	fmt.Fprintf(&b, "-BEGIN HEADER-\nLocation: Latitude  %.4f   Longitude %.4f\nMissing: -999\n-END HEADER-\nYEAR,MO,DY,ALLSKY_SFC_SW_DWN,T2M,T2M_MIN,T2M_MAX\n", lat, lon)
	for _, x := range all {
		fmt.Fprintf(&b, "%d,%d,%d,%.2f,%.1f,%.1f,%.1f\n", x.at.Year(), x.at.Month(), x.at.Day(), x.sun*3.6, x.mean, x.min, x.max)
	}
	return b.String()
}

// Each documented shape gives the same normals, in whatever unit it came.
func TestShapesAndUnits(t *testing.T) {
	t.Parallel()
	all := days(t)
	want := [12]float64{0.6, 1.2, 2.3, 3.6, 4.6, 5.0, 4.9, 4.3, 2.9, 1.7, 0.8, 0.5} // means of the file, rounded
	semicolons := strings.NewReplacer(",", ";").Replace(csvOf(all))
	for name, c := range map[string]struct {
		body, unit string
		rows       int
	}{
		"days as JSON":              {dailyJSON(all, lat, lon, 1), "kWh/m² a day", len(all)},
		"days as JSON, megajoules":  {dailyJSON(all, lat, lon, 3.6), "MJ/m² a day", len(all)},
		"days as JSON, power":       {dailyJSON(all, lat, lon, 1000.0/24), "W/m²", len(all)},
		"months as JSON":            {monthlyJSON(all), "kWh/m² a month", 240},
		"days as CSV":               {csvOf(all), "MJ/m² a day", len(all)},
		"days as CSV by semicolons": {semicolons, "MJ/m² a day", len(all)},
	} {
		r, err := Read([]byte(c.body), lat, lon, 128)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if r.Unit != c.unit || len(r.Rows) != c.rows {
			t.Errorf("%s: %d rows read as %s, want %d as %s", name, len(r.Rows), r.Unit, c.rows, c.unit)
		}
		for m, x := range r.Insolation() {
			if math.Abs(x-want[m]) > 0.2 {
				t.Errorf("%s: %s has %.2f kWh/m² a day, want about %.1f", name, time.Month(m+1), x, want[m])
			}
		}
		air, ok := r.Air()
		winter, _ := air.At(time.Date(2001, 1, 17, 0, 0, 0, 0, time.UTC), lat)
		summer, _ := air.At(time.Date(2001, 7, 18, 0, 0, 0, 0, time.UTC), lat)
		if !ok || math.Abs(winter-3.5) > 1.2 || math.Abs(summer-16) > 1.5 {
			t.Errorf("%s: %v, January %.1f °C and July %.1f, want about 3.5 and 16", name, ok, winter, summer)
		}
	}
}

// Answers that are broken, partial or of another place are refused with the reason.
func TestRefused(t *testing.T) {
	t.Parallel()
	all := days(t)
	whole := dailyJSON(all, lat, lon, 1)
	broken := strings.Replace(csvOf(all), ",3.", ",3,", 1)
	for name, c := range map[string]struct{ body, want string }{
		"empty":             {"", "it is empty"},
		"a page":            {"<html>please log in</html>", "a page for a browser"},
		"cut off":           {whole[:len(whole)/2], "no JSON to its end"},
		"an error as JSON":  {`{"messages":["no data"]}`, "no value in it has a date"},
		"a year":            {dailyJSON(all[:366], lat, lon, 1), "1.0 years of irradiation; at least 3"},
		"no winter":         {dailyJSON(only(all, func(x measured) bool { return x.at.Month() > 2 }), lat, lon, 1), "at least 3 whole ones"},
		"another place":     {dailyJSON(all, 41.8, lon, 1), "it is of 41.80, -0.36, and the site is at 51.81, -0.36"},
		"the antipodes":     {dailyJSON(all, lat, 179.64, 1), "and the site is at"},
		"temperature alone": {strings.ReplaceAll(whole, "ALLSKY_SFC_SW_DWN", "RH2M"), "it has no irradiation"},
		"the same all year": {dailyJSON(constant(all), lat, lon, 1), "in no unit can its irradiation be that of the site"},
		"words":             {"date,ghi_kwh_m2\n1990-01-01,0.5\n1990-01-02,much\n", `line 3: ghi_kwh_m2: "much" is not a number`},
		"no table":          {"hello\nworld\n", "no line in it names a date"},
		"no date":           {"date,ghi_kwh_m2\nyesterday,0.5\n", `line 2: "yesterday,0.5" is no date`},
	} {
		_, err := Read([]byte(c.body), lat, lon, 128)
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got %v, want %q", name, err, c.want)
		}
	}
	if r, err := Read([]byte(broken), lat, lon, 128); err == nil && len(r.Rows) == 0 {
		t.Error("a row too long lost the others")
	}
}

func only(all []measured, keep func(measured) bool) (out []measured) {
	for _, x := range all {
		if keep(x) {
			out = append(out, x)
		}
	}
	return out
}

// constant has as much sun in December as in June.
func constant(all []measured) []measured {
	out := only(all, func(measured) bool { return true })
	for i := range out {
		out[i].sun = 5
	}
	return out
}

// One request, with who asks and where, and nothing that goes on for ever.
func TestFetchOnceAndPolitely(t *testing.T) {
	t.Parallel()
	all := days(t)
	var asked []string
	status, body := http.StatusOK, dailyJSON(all, lat, lon, 1)
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		asked = append(asked, r.Header.Get("User-Agent")+" "+r.URL.RawQuery)
		w.WriteHeader(status)
		_, _ = w.Write([]byte(body))
	}))
	t.Cleanup(srv.Close)
	now := time.Date(1999, 5, 4, 0, 0, 0, 0, time.UTC)
	address := srv.URL + "/daily?longitude={lon}&latitude={lat}&start={from}&end={to}"
	r, err := Fetch(context.Background(), address, lat, lon, 128, now)
	if err != nil {
		t.Fatal(err)
	}
	if want := "ebbwatch longitude=-0.36&latitude=51.81&start=19740101&end=19981231"; len(asked) != 1 || asked[0] != want {
		t.Errorf("asked %q, want once %q", asked, want)
	}
	if !strings.HasPrefix(r.Words(), "7305 days of sun, 7305 of temperature, 1979 to 1998, from 127.0.0.1") {
		t.Errorf("words: %s", r.Words())
	}
	status = http.StatusTooManyRequests
	if _, err := Fetch(context.Background(), address, lat, lon, 128, now); err == nil || !strings.Contains(err.Error(), "429") || len(asked) != 2 {
		t.Errorf("asked %d times: %v", len(asked), err)
	}
	status, body = http.StatusOK, strings.Repeat(" ", budget+2)
	if _, err := Fetch(context.Background(), address, lat, lon, 128, now); err == nil || !strings.Contains(err.Error(), "larger than 4 MB") {
		t.Errorf("an endless answer: %v", err)
	}
}

// What is kept comes back, is below a megabyte, and a damaged file is said and no more.
func TestKept(t *testing.T) {
	t.Parallel()
	folder := t.TempDir()
	if r, err := Kept(folder); r != nil || err != nil {
		t.Fatalf("an empty folder: %v, %v", r, err)
	}
	r, err := Read([]byte(dailyJSON(days(t), lat, lon, 1)), lat, lon, 128)
	if err != nil {
		t.Fatal(err)
	}
	if err := Keep(folder, r); err != nil {
		t.Fatal(err)
	}
	again, err := Kept(folder)
	if err != nil || !again.Of(lat, lon) || again.Of(-lat, lon) || len(again.Rows) != len(r.Rows) {
		t.Fatalf("%v, %v", again, err)
	}
	path := filepath.Join(folder, file)
	info, err := os.Stat(path)
	if err != nil || info.Size() > 1<<20 {
		t.Errorf("%d bytes, %v", info.Size(), err)
	}
	if err := os.WriteFile(path, []byte(`{"Rows":[{"d":`), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Kept(folder); err == nil || !strings.Contains(err.Error(), "fetch it again") {
		t.Errorf("damaged: %v", err)
	}
}
