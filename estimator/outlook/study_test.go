package outlook

import (
	"os"
	"strconv"
	"strings"
	"testing"
)

// studyNodes are sites from several outages a year to one in three years at Hoogeveen.
func studyNodes() map[string]node {
	base := node{load: 4, tilt: 60, azimuth: 180, factor: 0.85, capacity: 0.95, evening: 0.2}
	out := map[string]node{}
	for name, size := range map[string][2]float64{"a tiny": {150, 30}, "b small": {200, 50}, "c middle": {250, 80}, "d large": {300, 120}} {
		n := base
		n.watts, n.ah = size[0], size[1]
		if times, err := strconv.ParseFloat(os.Getenv("EBBWATCH_LOAD"), 64); err == nil {
			n.load, n.ah = n.load*times, n.ah*times
		}
		out[name] = n
	}
	return out
}

// TestStudy prints the scores of the outlook over the whole record of a station. It takes
// minutes: EBBWATCH_STUDY=1, with EBBWATCH_STATION=251, penn_state or desert_rock for other
// stations than 279, EBBWATCH_NODE and EBBWATCH_SET to pick nodes and settings,
// EBBWATCH_DAYS for the first days of the record only, EBBWATCH_THIN=3 for every third, and
// EBBWATCH_LOAD=3 for three times the load and the battery, where there is more sun.
func TestStudy(t *testing.T) {
	if os.Getenv("EBBWATCH_STUDY") == "" {
		t.Skip("skipped: needs EBBWATCH_STUDY=1 (minutes)")
	}
	id := stationOf()
	w, s := chosen(t), measuredShapes(t)
	thin, _ := strconv.Atoi(os.Getenv("EBBWATCH_THIN"))
	for name, n := range studyNodes() {
		if !strings.Contains(name, os.Getenv("EBBWATCH_NODE")) {
			continue
		}
		for i, set := range []setting{
			{node: n, exact: true, seed: 11},
			{node: n, exact: true, forecast: true, seed: 11},
			{node: n, seed: 11},
			{node: n, forecast: true, seed: 11},
			{node: n, blind: true, seed: 11},
			{node: n, whole: true, seed: 11},
			{node: n, whole: true, forecast: true, seed: 11},
			{node: n, blind: true, forecast: true, seed: 11},
		} {
			if !picked(i) {
				continue
			}
			t.Run(name, func(t *testing.T) {
				t.Parallel()
				set.thin = thin
				tr := w.try(set, s, 60)
				t.Logf("%s, %.0f W %.0f Ah: %.2f outages a year; forecast %v, exact %v, without means %v, with the estimator %v; %v", id, n.watts, n.ah, tr.outages, set.forecast, set.exact, set.blind, set.whole, tr.charge)
				for i, span := range Withins() {
					t.Logf("%4d h: %v", span, scoreOf(w, tr.rows, i))
				}
			})
		}
	}
}

// stationOf is the station to study.
func stationOf() string {
	if id := os.Getenv("EBBWATCH_STATION"); id != "" {
		return id
	}
	return "279"
}

// chosen is the record to study, or its first days.
func chosen(t *testing.T) *weather {
	if id := stationOf(); id == "penn_state" || id == "desert_rock" {
		return americas(t, id)
	}
	w := station(t, stationOf())
	if days, err := strconv.Atoi(os.Getenv("EBBWATCH_DAYS")); err == nil {
		w = w.until(days)
	}
	return w
}

// picked tells whether a setting is to be run.
func picked(i int) bool {
	pick := os.Getenv("EBBWATCH_SET")
	return pick == "" || strings.Contains(pick, strconv.Itoa(i))
}
