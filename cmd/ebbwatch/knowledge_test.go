package main

import (
	"encoding/json"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"ebbwatch/collector/nodestate"
)

// A port that is not there: nothing was ever read, and no surface may say how the battery is.
func TestNothingReadIsSaidEverywhere(t *testing.T) {
	t.Parallel()
	file := unread(t)
	findable(t, file)
	out, _ := start(t, "run", "--config", file)
	eventually(t, 20*time.Second, "a page", func() bool { return out.page() != "" })
	page := out.page()
	eventually(t, 20*time.Second, "a first poll", func() bool {
		body, _ := get(t, page+"/metrics")
		return strings.Contains(body, `ebbwatch_source_up{source="charger"} 0`)
	})
	body, _ := get(t, page+"/metrics")
	for _, name := range []string{"battery_soc", "battery_usable", "cutoff_seconds", "cutoff_probability", "reserve_"} {
		if strings.Contains(body, "\nebbwatch_"+name) {
			t.Errorf("/metrics exports %s with no reading ever", name)
		}
	}
	if !strings.Contains(body, `ebbwatch_knowledge{state="nothing read yet"} 1`) {
		t.Error("/metrics does not say that nothing was read yet")
	}
	body, _ = get(t, page+"/api/v1/state")
	var st nodestate.State
	if err := json.Unmarshal([]byte(body), &st); err != nil {
		t.Fatal(err)
	}
	if st.Battery.SoC != nil || st.Battery.UsableAh != nil || st.Outlook != nil || st.Level == "ok" || st.Knowledge.State != "nothing read yet" {
		t.Errorf("/api/v1/state claims %+v, %+v, %s, %+v", st.Battery, st.Outlook, st.Level, st.Knowledge)
	}
	body, _ = get(t, page+"/")
	claims(t, "the page", regexp.MustCompile(`<[^>]*>`).ReplaceAllString(body, " "))
	text, _, code := said(t, "status", "--url", page)
	claims(t, "status", text)
	if code == 0 {
		t.Error("status exits as if all were well")
	}
	text, _, _ = said(t, "report", "--config", file)
	claims(t, "report", text)
}

// claims fails where a text speaks of a charge, of being well or of energy.
func claims(t *testing.T, who, text string) {
	t.Helper()
	if m := regexp.MustCompile(`(?i)all well|well for now|good (for|until)|84 %|±[0-9]|\b0 Wh|of 0`).FindString(text); m != "" {
		t.Errorf("%s says %q with no reading ever:\n%s", who, m, text)
	}
}

// unread is the configuration of a node whose port is missing.
func unread(t *testing.T) (file string) {
	t.Helper()
	dir := t.TempDir()
	file = filepath.Join(dir, "ebbwatch.yaml")
	write(t, filepath.Join(dir, "map.yaml"), tiredMap)
	write(t, file, `site: {name: slipway, latitude: 52.75, longitude: 6.57}
battery: {capacity_ah: 80, initial_soc: 0.84}
array: {watts_peak: 240, tilt_deg: 60}
sources: [{name: charger, every: 1s, modbus: {port: `+filepath.Join(dir, "no-port")+`, baud: 9600, unit: 1, map: map.yaml}}]
notify: []
web: {listen: "127.0.0.1:0"}
state: state
`)
	return file
}
