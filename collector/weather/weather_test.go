package weather

import (
	"context"
	"encoding/json"
	"errors"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ebbwatch/collector/reading"
)

func utc(s string) time.Time {
	t, err := time.Parse(time.RFC3339, s)
	if err != nil {
		panic(err)
	}
	return t
}

func presetFormat(t *testing.T, name string) Format {
	t.Helper()
	p, ok := FindPreset(name)
	if !ok {
		t.Fatalf("no preset %q", name)
	}
	return p.Format
}

// hourOf finds the hour that starts at a time.
func hourOf(t *testing.T, f *reading.Forecast, start string) reading.ForecastHour {
	t.Helper()
	for _, h := range f.Hours {
		if h.Start.Equal(utc(start)) {
			return h
		}
	}
	t.Fatalf("no hour %s among %d", start, len(f.Hours))
	return reading.ForecastHour{}
}

// The shape of an hourly service as it documents it: radiation is the mean of the hour
// before its stamp, cloud cover holds at the stamp.
const arrays = `{"latitude":52.76,"longitude":6.58,"utc_offset_seconds":0,"timezone":"GMT",
"hourly_units":{"time":"iso8601","shortwave_radiation":"W/m²","cloud_cover":"%"},
"hourly":{"time":["2024-06-01T10:00","2024-06-01T11:00","2024-06-01T12:00","2024-06-01T13:00"],
"shortwave_radiation":[400,500,null,620],"cloud_cover":[20,40,60,80],"temperature_2m":[15,16,17,18]}}`

func TestRadiationBelongsToTheHourBefore(t *testing.T) {
	t.Parallel()
	f, err := Parse(presetFormat(t, "open-meteo"), []byte(arrays), utc("2024-06-01T09:30:00Z"))
	if err != nil {
		t.Fatal(err)
	}
	if got := hourOf(t, f, "2024-06-01T10:00:00Z").GHI; got != 500 {
		t.Errorf("the hour from 10 to 11: got %g W/m², want 500, which is stamped 11", got)
	}
	if got := hourOf(t, f, "2024-06-01T09:00:00Z").GHI; got != 400 {
		t.Errorf("the hour from 9 to 10: got %g W/m², want 400", got)
	}
	if got := hourOf(t, f, "2024-06-01T11:00:00Z").GHI; !math.IsNaN(got) {
		t.Errorf("null: got %g, want not known", got)
	}
	// Cloud cover over the hour from 10 to 11 is 20 % at its start and 40 % at its end.
	if got := hourOf(t, f, "2024-06-01T10:00:00Z").CloudRatio; math.Abs(got-0.3) > 1e-9 {
		t.Errorf("cloud from 10 to 11: got %g, want 0.3", got)
	}
	if !f.Issued.Equal(utc("2024-06-01T09:30:00Z")) {
		t.Errorf("issued %v, want the moment of fetching", f.Issued)
	}
}

// The shape of a service with a series of objects, hourly and then six-hourly.
const series = `{"type":"Feature","geometry":{"type":"Point","coordinates":[6.57,52.75,12]},
"properties":{"meta":{"updated_at":"2024-06-01T08:00:00Z","units":{"cloud_area_fraction":"%"}},"timeseries":[
{"time":"2024-06-01T09:00:00Z","data":{"instant":{"details":{"cloud_area_fraction":50.0,"air_temperature":12.0}}}},
{"time":"2024-06-01T10:00:00Z","data":{"instant":{"details":{"cloud_area_fraction":70.0,"air_temperature":13.0}}}},
{"time":"2024-06-01T16:00:00Z","data":{"instant":{"details":{"cloud_area_fraction":100.0,"air_temperature":14.0}}}},
{"time":"2024-06-01T22:00:00Z","data":{"instant":{"details":{"air_temperature":9.0}}}}]}}`

func TestSeries(t *testing.T) {
	t.Parallel()
	f, err := Parse(presetFormat(t, "met-norway"), []byte(series), utc("2024-06-01T09:10:00Z"))
	if err != nil {
		t.Fatal(err)
	}
	if !f.Issued.Equal(utc("2024-06-01T08:00:00Z")) {
		t.Errorf("issued %v, want what the service says", f.Issued)
	}
	if got := hourOf(t, f, "2024-06-01T09:00:00Z").CloudRatio; math.Abs(got-0.6) > 1e-9 {
		t.Errorf("9 to 10: got %g, want 0.6", got)
	}
	if got := hourOf(t, f, "2024-06-01T13:00:00Z").CloudRatio; math.Abs(got-0.7) > 1e-9 {
		t.Errorf("13 to 14, within a step of six hours: got %g, want 0.7", got)
	}
	if got := hourOf(t, f, "2024-06-01T18:00:00Z"); math.Abs(got.CloudRatio-1) > 1e-9 || got.AirCelsius != 14 || !math.IsNaN(got.GHI) {
		t.Errorf("18 to 19: got %+v", got)
	}
}

// The shape of a grid service: a validity with a length, offsets, nulls, days.
const gridded = `{"properties":{"updateTime":"2021-06-18T04:00:00+00:00","skyCover":{"uom":"wmoUnit:percent","values":[
{"validTime":"2021-06-18T05:00:00+00:00/PT2H","value":72},{"validTime":"2021-06-18T03:00:00-04:00/PT1H","value":null},
{"validTime":"2021-06-18T04:00:00-04:00/P1DT6H","value":10}]},
"temperature":{"values":[{"validTime":"2021-06-18T05:00:00+00:00/PT3H","value":21.5}]}}}`

func TestGrid(t *testing.T) {
	t.Parallel()
	f, err := Parse(presetFormat(t, "us-weather-grid"), []byte(gridded), utc("2021-06-18T04:30:00Z"))
	if err != nil {
		t.Fatal(err)
	}
	for start, want := range map[string]float64{"2021-06-18T05:00:00Z": 0.72, "2021-06-18T06:00:00Z": 0.72, "2021-06-18T08:00:00Z": 0.10, "2021-06-19T13:00:00Z": 0.10} {
		if got := hourOf(t, f, start).CloudRatio; math.Abs(got-want) > 1e-9 {
			t.Errorf("%s: got %g, want %g", start, got, want)
		}
	}
	if h := hourOf(t, f, "2021-06-18T07:00:00Z"); !math.IsNaN(h.CloudRatio) || h.AirCelsius != 21.5 {
		t.Errorf("a null cover beside a temperature: got %+v", h)
	}
}

func TestLengths(t *testing.T) {
	t.Parallel()
	for s, want := range map[string]time.Duration{
		"PT2H": 2 * time.Hour, "PT1H": time.Hour, "P1DT6H": 30 * time.Hour, "P7DT22H": 684000 * time.Second, "PT30M": 30 * time.Minute, "P1W": 168 * time.Hour,
	} {
		if got, err := parseLength(s); err != nil || got != want {
			t.Errorf("%s: got %v %v, want %v", s, got, err, want)
		}
	}
	for _, s := range []string{"", "P", "PT", "2H", "PT2", "PTH", "P2H", "PT2D", "PT99999999H", "P-1D"} {
		if got, err := parseLength(s); err == nil {
			t.Errorf("%q: got %v, want an error", s, got)
		}
	}
}

func TestParseRefuses(t *testing.T) {
	t.Parallel()
	f := presetFormat(t, "open-meteo")
	for body, want := range map[string]string{
		"<html>":        "cannot read the forecast: invalid character",
		`{"hourly":{}}`: `no array at "hourly.shortwave_radiation"`,
		`{"hourly":{"time":["2024-06-01T10:00"],"shortwave_radiation":[1,2],"cloud_cover":[1],"temperature_2m":[1]}}`:    `1 times but 2 values at "hourly.shortwave_radiation"`,
		`{"hourly":{"time":["noon"],"shortwave_radiation":[1],"cloud_cover":[1],"temperature_2m":[1]}}`:                  "time 0 is noon",
		`{"hourly":{"time":[],"shortwave_radiation":[],"cloud_cover":[],"temperature_2m":[]}}`:                           ErrNoLight.Error(),
		`{"hourly":{"time":["2024-06-01T10:00"],"shortwave_radiation":[99999],"cloud_cover":[-5],"temperature_2m":[1]}}`: ErrNoLight.Error(),
	} {
		if _, err := Parse(f, []byte(body), utc("2024-06-01T09:30:00Z")); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%.60s: got %v, want %q", body, err, want)
		}
	}
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{arrays, series, gridded, "{}", "[]"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, body []byte) {
		for _, p := range Presets() {
			fc, err := Parse(p.Format, body, time.Date(2024, 6, 1, 9, 0, 0, 0, time.UTC))
			if err != nil {
				continue
			}
			for i, h := range fc.Hours {
				if h.GHI < 0 || h.CloudRatio < -1e-6 || h.CloudRatio > 1+1e-6 || i > 0 && !h.Start.After(fc.Hours[i-1].Start) {
					t.Fatalf("hour %d: %+v", i, h)
				}
			}
		}
	})
}

// service is a weather service whose answers the test sets.
type service struct {
	*httptest.Server
	asked  []http.Header
	answer func(w http.ResponseWriter, r *http.Request)
}

func serve(t *testing.T) *service {
	t.Helper()
	s := &service{}
	s.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		s.asked = append(s.asked, r.Header.Clone())
		s.answer(w, r)
	}))
	t.Cleanup(s.Close)
	return s
}

// kept is a store in memory.
type kept struct{ data []byte }

func (k *kept) Load(v any) error {
	if k.data == nil {
		return nil
	}
	return json.Unmarshal(k.data, v)
}

func (k *kept) Save(v any) (err error) {
	k.data, err = json.Marshal(v)
	return err
}

func client(t *testing.T, s *service, store Store) *Client {
	t.Helper()
	c, err := New(Config{Preset: "open-meteo", URL: s.URL + "/f?lat={lat}&lon={lon}", Contact: "club@example.org", Every: time.Hour}, 52.75, 6.57, store, "ebbwatch/test")
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func TestFetchIsPolite(t *testing.T) {
	t.Parallel()
	s, store := serve(t), &kept{}
	s.answer = func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Query().Get("lat") != "52.7500" {
			t.Errorf("asked for %s", r.URL)
		}
		if r.Header.Get("If-Modified-Since") != "" {
			w.WriteHeader(http.StatusNotModified)
			return
		}
		w.Header().Set("Last-Modified", "Sat, 01 Jun 2024 08:00:00 GMT")
		w.Header().Set("Date", "Sat, 01 Jun 2024 09:00:00 GMT")
		w.Header().Set("Expires", "Sat, 01 Jun 2024 11:00:00 GMT")
		_, _ = w.Write([]byte(arrays))
	}
	c, now := client(t, s, store), utc("2024-06-01T09:30:00Z")
	steps := []struct {
		after time.Duration
		asked int
	}{
		{0, 1}, {time.Minute, 1}, {90 * time.Minute, 1}, // not before it expires, though an hour is over
		{2 * time.Hour, 2}, {2*time.Hour + time.Minute, 2},
	}
	for _, x := range steps {
		f, err := c.Fetch(context.Background(), now.Add(x.after))
		if err != nil || f == nil || len(f.Hours) == 0 {
			t.Fatalf("after %v: %v %v", x.after, f, err)
		}
		if len(s.asked) != x.asked {
			t.Fatalf("after %v: asked %d times, want %d", x.after, len(s.asked), x.asked)
		}
	}
	if got := s.asked[0].Get("User-Agent"); got != "ebbwatch/test (club@example.org)" {
		t.Errorf("said to be %q", got)
	}
	if got := s.asked[1].Get("If-Modified-Since"); got != "Sat, 01 Jun 2024 08:00:00 GMT" {
		t.Errorf("asked if modified since %q", got)
	}
	// A restart without internet: the forecast is still there, and nobody is asked early.
	again := client(t, s, store)
	if f, err := again.Fetch(context.Background(), now.Add(2*time.Hour+2*time.Minute)); err != nil || f == nil || len(s.asked) != 2 {
		t.Errorf("after a restart: %v %v, asked %d times", f, err, len(s.asked))
	}
}

func TestFetchBacksOff(t *testing.T) {
	t.Parallel()
	s := serve(t)
	good := true
	s.answer = func(w http.ResponseWriter, _ *http.Request) {
		if good {
			_, _ = w.Write([]byte(arrays))
			return
		}
		w.Header().Set("Retry-After", "7200")
		w.WriteHeader(http.StatusTooManyRequests)
	}
	c, now := client(t, s, nil), utc("2024-06-01T09:30:00Z")
	if _, err := c.Fetch(context.Background(), now); err != nil {
		t.Fatal(err)
	}
	good = false
	now = now.Add(2 * time.Hour)
	f, err := c.Fetch(context.Background(), now)
	if f == nil || err == nil || !strings.Contains(err.Error(), "left alone (429") {
		t.Fatalf("throttled: %v %v, want the old forecast and the reason", f, err)
	}
	if got := c.Due().Sub(now); got != 2*time.Hour {
		t.Errorf("asks again after %v, was told 2h", got)
	}
	s.answer = func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusInternalServerError) }
	var waits []time.Duration
	for range 9 {
		now = c.Due()
		if f, err := c.Fetch(context.Background(), now); f == nil || err == nil {
			t.Fatalf("broken service: %v %v", f, err)
		}
		waits = append(waits, c.Due().Sub(now))
	}
	if waits[0] != 10*time.Minute || waits[1] != 20*time.Minute || waits[8] != 6*time.Hour {
		t.Errorf("waited %v, want doubling up to six hours", waits)
	}
}

func TestFetchKeepsTheBudget(t *testing.T) {
	t.Parallel()
	s := serve(t)
	s.answer = func(w http.ResponseWriter, _ *http.Request) { _, _ = w.Write([]byte(arrays)) }
	c := client(t, s, nil)
	c.cfg.BytesPerDay = 1500
	now := utc("2024-06-01T00:00:00Z")
	var told error
	for h := range 30 {
		if _, err := c.Fetch(context.Background(), now.Add(time.Duration(h)*time.Hour)); err != nil {
			told = err
		}
	}
	if n := len(s.asked); n < 2 || n > 4 {
		t.Errorf("asked %d times in 30 h on 1500 bytes a day", n)
	}
	if told == nil || !strings.Contains(told.Error(), "budget of 1500 bytes") {
		t.Errorf("told %v", told)
	}
}

func TestFetchRefusesFloodsAndRubbish(t *testing.T) {
	t.Parallel()
	s := serve(t)
	c := client(t, s, &kept{})
	now := utc("2024-06-01T09:30:00Z")
	s.answer = func(w http.ResponseWriter, _ *http.Request) {
		_, _ = w.Write([]byte("[" + strings.Repeat("1,", maxAnswer/2) + "1]"))
	}
	if f, err := c.Fetch(context.Background(), now); f != nil || err == nil || !strings.Contains(err.Error(), "more than") {
		t.Errorf("a flood: %v %v", f, err)
	}
	s.answer = func(w http.ResponseWriter, _ *http.Request) { _, _ = w.Write([]byte("<html>captive portal")) }
	if f, err := c.Fetch(context.Background(), now.Add(26*time.Hour)); f != nil || err == nil || !strings.Contains(err.Error(), "cannot read the forecast") {
		t.Errorf("a captive portal: %v %v", f, err)
	}
}

func TestDamagedCacheIsForgotten(t *testing.T) {
	t.Parallel()
	s := serve(t)
	s.answer = func(w http.ResponseWriter, _ *http.Request) { _, _ = w.Write([]byte(arrays)) }
	c := client(t, s, &kept{[]byte(`{"url":`)})
	f, err := c.Fetch(context.Background(), utc("2024-06-01T09:30:00Z"))
	if f == nil || err == nil || !strings.Contains(err.Error(), "cannot read the kept forecast") {
		t.Errorf("got %v %v, want a new forecast and word of the damage", f, err)
	}
}

func TestFileOfForecasts(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "w.csv")
	text := "issued,valid,ghi_w_m2,air_celsius\n" +
		"2024-06-02T06:00:00Z,2024-06-02T10:00:00Z,300,14\n2024-06-01T06:00:00Z,2024-06-01T11:00:00Z,,13\n2024-06-01T06:00:00Z,2024-06-01T10:00:00Z,500,\n"
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	c, err := New(Config{File: path}, 52.75, 6.57, nil, "ebbwatch/test")
	if err != nil {
		t.Fatal(err)
	}
	if f, err := c.Fetch(context.Background(), utc("2024-06-01T05:00:00Z")); f != nil || err != nil {
		t.Errorf("before the first issue: %v %v", f, err)
	}
	f, err := c.Fetch(context.Background(), utc("2024-06-02T05:59:00Z"))
	if err != nil || !f.Issued.Equal(utc("2024-06-01T06:00:00Z")) || len(f.Hours) != 2 || f.Hours[0].GHI != 500 || !math.IsNaN(f.Hours[1].GHI) {
		t.Errorf("a minute before the second issue: %+v %v", f, err)
	}
	for body, want := range map[string]string{
		"issued,valid\n":                 `no column "ghi_w_m2"`,
		"issued,valid,ghi_w_m2\nx,y,1\n": ":2: \"x\" is no time",
		"issued,valid,ghi_w_m2\n2024-06-01T06:00:00Z,2024-06-01T07:00:00Z,dull\n": ":2: \"dull\" is no number",
	} {
		if _, err := ReadCSV(strings.NewReader(body), "w.csv"); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: got %v, want %q", body, err, want)
		}
	}
}

func TestConfigIsChecked(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		cfg  Config
		want string
	}{
		"nothing":        {Config{}, "needs the address"},
		"two addresses":  {Config{URL: "http://b", URLFile: "f"}, "only one of them"},
		"unknown preset": {Config{Preset: "sunny"}, `there is no preset "sunny"`},
		"no address":     {Config{Preset: "us-weather-grid"}, "needs the address"},
		"no url":         {Config{Preset: "open-meteo", URL: "ftp://x/y"}, "is no address"},
		"both":           {Config{File: "a", URL: "http://b"}, "either a file or an address"},
		"no light":       {Config{URL: "http://b", Format: &Format{Times: "t"}}, "neither ghi nor cloud"},
		"stamp":          {Config{URL: "http://b", Format: &Format{Times: "t", GHI: Field{Path: "g", Stamp: "middle"}}}, `stamp "middle" is none of`},
		"series":         {Config{URL: "http://b", Format: &Format{Series: "s", GHI: Field{Path: "g"}}}, "needs the path of the time"},
	} {
		if _, err := New(c.cfg, 0, 0, nil, ""); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got %v, want %q", name, err, c.want)
		}
	}
	if _, err := New(Config{Preset: "met-norway"}, 0, 0, nil, ""); err != nil {
		t.Errorf("a preset alone: %v", err)
	}
}

// A cancelled request is no fault of the service: it must not lengthen the wait.
func TestCancelledRequestIsNoFailure(t *testing.T) {
	t.Parallel()
	s := serve(t)
	s.answer = func(w http.ResponseWriter, _ *http.Request) { _, _ = w.Write([]byte(arrays)) }
	c := client(t, s, nil)
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	now := utc("2024-06-01T09:30:00Z")
	if _, err := c.Fetch(ctx, now); !errors.Is(err, context.Canceled) {
		t.Fatalf("got %v", err)
	}
	if f, err := c.Fetch(context.Background(), now); f == nil || err != nil {
		t.Errorf("asked again at once: %v %v", f, err)
	}
}

// Where only an address is given, the shape of the answer tells how to read it.
func TestShapeIsTold(t *testing.T) {
	t.Parallel()
	for name, body := range map[string]string{"arrays": arrays, "series": series, "grid": gridded} {
		s := serve(t)
		s.answer = func(w http.ResponseWriter, _ *http.Request) { _, _ = w.Write([]byte(body)) }
		file := filepath.Join(t.TempDir(), "address")
		if err := os.WriteFile(file, []byte(s.URL+"/secret-key?lat={lat}\n"), 0o600); err != nil {
			t.Fatal(err)
		}
		c, err := New(Config{URLFile: file}, 52.75, 6.57, nil, "ebbwatch/test")
		if err != nil {
			t.Fatal(err)
		}
		if f, err := c.Fetch(t.Context(), utc("2024-06-01T09:30:00Z")); err != nil || f == nil || len(f.Hours) == 0 {
			t.Errorf("%s: %v, %v", name, f, err)
		}
	}
	s := serve(t)
	s.answer = func(w http.ResponseWriter, _ *http.Request) { _, _ = w.Write([]byte(`{"sun":"yes"}`)) }
	c, err := New(Config{URL: s.URL}, 0, 0, nil, "")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := c.Fetch(t.Context(), utc("2024-06-01T09:30:00Z")); err == nil || !strings.Contains(err.Error(), "cannot tell the shape") {
		t.Errorf("got %v", err)
	}
}

func TestAddressStaysSecret(t *testing.T) {
	t.Parallel()
	c, err := New(Config{URL: "http://127.0.0.1:1/f?key=hunter2"}, 0, 0, nil, "")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := c.Fetch(t.Context(), utc("2024-06-01T09:30:00Z")); err == nil || strings.Contains(err.Error(), "hunter2") {
		t.Errorf("got %v", err)
	}
}
