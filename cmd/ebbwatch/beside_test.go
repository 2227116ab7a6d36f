package main

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"strings"
	"sync/atomic"
	"testing"
	"time"
)

// withSection adds top-level lines to a configuration.
func withSection(t *testing.T, file, lines string) {
	t.Helper()
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	write(t, file, string(text)+lines)
}

// A forecast service that answers in the shape of hourly arrays is asked, and its forecast
// is used.
func TestForecastIsFetchedAndUsed(t *testing.T) {
	t.Parallel()
	service := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if !strings.HasPrefix(r.UserAgent(), "ebbwatch/") || r.URL.Query().Get("lat") != "52.7500" {
			t.Errorf("asked by %q for %s", r.UserAgent(), r.URL)
		}
		var times, sun []string
		for h := range 168 {
			times = append(times, fmt.Sprintf("%q", time.Now().UTC().Truncate(time.Hour).Add(time.Duration(h)*time.Hour).Format("2006-01-02T15:04")))
			sun = append(sun, "50")
		}
		fmt.Fprintf(w, `{"utc_offset_seconds":0,"hourly":{"time":[%s],"shortwave_radiation":[%s]}}`, strings.Join(times, ","), strings.Join(sun, ","))
	}))
	t.Cleanup(service.Close)
	hook := newReceiver(t)
	file := configure(t, slave(t, tired()), hook.URL)
	withSection(t, file, fmt.Sprintf("weather: {url: %q}\n", service.URL+"/?lat={lat}&lon={lon}"))
	out, _ := start(t, "run", "--config", file)
	eventually(t, 20*time.Second, "the forecast is in use", func() bool {
		body, _ := get(t, out.page()+"/api/v1/state")
		return strings.Contains(body, `"forecast_age_seconds"`)
	})
}

// What was recorded is sent on, also what was recorded before this start.
func TestHistoryIsSentOn(t *testing.T) {
	t.Parallel()
	var sent atomic.Int64
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Header.Get("Content-Encoding") == "snappy" && r.ContentLength > 10 {
			sent.Add(1)
		}
		w.WriteHeader(http.StatusNoContent)
	}))
	t.Cleanup(server.Close)
	hook := newReceiver(t)
	file := configure(t, slave(t, tired()), hook.URL)
	out, stop := start(t, "run", "--config", file)
	eventually(t, 20*time.Second, "the battery is read", func() bool {
		body, _ := get(t, out.page()+"/metrics")
		return strings.Contains(body, "ebbwatch_battery_volts ")
	})
	stop() // what waits is written to the card
	withSection(t, file, fmt.Sprintf("remote_write: {url: %q}\n", server.URL))
	start(t, "run", "--config", file)
	eventually(t, 45*time.Second, "the samples from before are sent", func() bool { return sent.Load() > 0 })
}

// An outside service hears for as long as all is well, and nothing once the source is gone.
func TestHeartbeatIsHeardWhileAllIsWell(t *testing.T) {
	t.Parallel()
	var beats atomic.Int64
	service := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { beats.Add(1) }))
	t.Cleanup(service.Close)
	hook := newReceiver(t)
	well, ill := configure(t, slave(t, tired()), hook.URL), configure(t, `tcp: "127.0.0.1:1"`, hook.URL)
	withSection(t, ill, fmt.Sprintf("heartbeat: {url: %q, every: 10s}\n", service.URL))
	out, _ := start(t, "run", "--config", ill)
	eventually(t, 20*time.Second, "the one without readings is ready", func() bool {
		_, status := get(t, out.page()+"/-/ready")
		return status == http.StatusOK
	})
	if n := beats.Load(); n != 0 {
		t.Errorf("%d beats although nothing is read", n)
	}
	withSection(t, well, fmt.Sprintf("heartbeat: {url: %q, every: 10s}\n", service.URL))
	start(t, "run", "--config", well)
	eventually(t, 40*time.Second, "a beat is heard", func() bool { return beats.Load() > 0 })
}
