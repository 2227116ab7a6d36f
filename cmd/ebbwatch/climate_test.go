package main

import (
	"fmt"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ebbwatch/cmd/internal/config"
)

// The record that one request brought is what the daemon's outlook goes by: from the wire through
// the command and the state folder to the site of its plan. Without it that says so.
func TestClimateFromTheWireToTheOutlook(t *testing.T) {
	t.Parallel()
	asked := 0
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		asked++
		fmt.Fprint(w, `{"geometry":{"coordinates":[6.5,52.5,10]},"properties":{"parameter":{"ALLSKY_SFC_SW_DWN":{`)
		sun := [12]float64{0.7, 1.3, 2.5, 4.1, 5.1, 5.4, 5.1, 4.4, 3.1, 1.8, 0.9, 0.6}
		var rows, warm []string
		for at := time.Date(1990, 1, 1, 0, 0, 0, 0, time.UTC); at.Year() < 1996; at = at.AddDate(0, 0, 1) {
			rows = append(rows, fmt.Sprintf(`"%s":%.2f`, at.Format("20060102"), sun[at.Month()-1]))
			warm = append(warm, fmt.Sprintf(`"%s":%.1f`, at.Format("20060102"), 10-6*math.Cos(2*math.Pi*float64(at.YearDay()-17)/365)))
		}
		fmt.Fprintf(w, `%s},"T2M":{%s}}}}`, strings.Join(rows, ","), strings.Join(warm, ","))
	}))
	t.Cleanup(srv.Close)
	dir := t.TempDir()
	file := filepath.Join(dir, "ebbwatch.yaml")
	text := "site: {name: slipway, latitude: 52.75, longitude: 6.57}\nbattery: {capacity_ah: 80}\nstate: " + dir + "\n"
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	loadedOf := func() loaded {
		c, err := loadOrSay(os.Stderr, file, config.Need{})
		if err != nil {
			t.Fatal(err)
		}
		return c
	}
	if c := loadedOf(); len(plan(c).Array.Insolation) != 0 || !strings.Contains(climateNote(c), "rough guess by latitude: ebbwatch climate") {
		t.Errorf("before: %v, %q", plan(c).Array.Insolation, climateNote(c))
	}
	if asked != 0 {
		t.Fatal("the climate was asked for unasked")
	}
	out, problems, code := said(t, "climate", "--config", file, "--url", srv.URL+"/?lat={lat}")
	if code != 0 || asked != 1 || !strings.Contains(out, "2191 days of sun, 2191 of temperature, 1990 to 1995") {
		t.Fatalf("exit %d, asked %d times: %s%s", code, asked, out, problems)
	}
	site := plan(loadedOf()).Array
	if len(site.Insolation) != 12 || math.Abs(site.Insolation[5]-5.4) > 0.02 || site.Air == nil {
		t.Fatalf("the site has %v and %v", site.Insolation, site.Air)
	}
	if winter, _ := site.Air.At(time.Date(2001, 1, 17, 0, 0, 0, 0, time.UTC), 52.75); math.Abs(winter-4) > 0.2 {
		t.Errorf("January is %.1f °C, want 4", winter)
	}
	moved := strings.Replace(text, "52.75", "45.0", 1)
	if err := os.WriteFile(file, []byte(moved), 0o600); err != nil {
		t.Fatal(err)
	}
	if c := loadedOf(); plan(c).Array.Air != nil || !strings.Contains(climateNote(c), "it is of 52.75, 6.57, and the site is at 45.00, 6.57") {
		t.Errorf("a record of another place: %v, %q", plan(c).Array.Air, climateNote(c))
	}
}
