package core

import (
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"ebbwatch/alert"
	"ebbwatch/collector"
	"ebbwatch/collector/sim"
)

// TestMessagesOfAWinter lives through winters of a node whose board dies with its load, in a
// simulated sky, and counts what its owner is told: an outage is at most four messages, from
// the heads-up to the return, and none of them contradicts itself. Last words that the node
// outlived by a day are told anew before its end, and are counted apart.
func TestMessagesOfAWinter(t *testing.T) {
	t.Parallel()
	first, winters, days := uint64(1), uint64(1), 45
	if os.Getenv("EBBWATCH_STUDY") == "1" {
		winters, days = 30, 120
		_, _ = fmt.Sscanf(os.Getenv("EBBWATCH_WINTERS"), "%d,%d", &first, &winters) // the first seed, and how many
	}
	outages, messages, most, untold, outlived := 0, 0, 0, 0, 0
	for seed := first; seed < first+winters; seed++ {
		w := newWinterNode(seed)
		w.live(t, days)
		for _, n := range w.said {
			r := reader{now: n.At.UTC(), trip: 90 * time.Minute, n: n}
			if n.Phase == alert.Cleared || n.Rule == "back" || n.Rule == "blind" {
				continue
			}
			for _, what := range r.contradictions() {
				t.Errorf("winter %d: %s\n%s", seed, what, n.Plain())
			}
		}
		outages += len(w.outages)
		for i, of := range w.outages {
			messages += of
			outlived += w.outlived[i]
			if most = max(most, of); of-w.outlived[i] > 4 {
				t.Errorf("winter %d: an outage of %d messages", seed, of)
			}
			if of == 0 {
				untold++
			}
		}
	}
	t.Logf("%d winters, %d outages, %d messages about them, %d at most; %d outages came untold, %d last words were outlived", winters, outages, messages, most, untold, outlived)
	if outages < int(winters) {
		t.Errorf("%d outages in %d winters are too few to show anything", outages, winters)
	}
}

// winterNode is a node on a simulated site.
type winterNode struct {
	site     *sim.Site
	plan     Plan
	core     *Core
	mem      Memory
	alerts   alert.State
	said     []alert.Notice
	outages  []int       // messages of each
	since    int         // messages about the power since the last outage
	last     []time.Time // when last words were said since then
	outlived []int       // of each outage
	log      []string
}

func newWinterNode(seed uint64) *winterNode {
	start := time.Date(2025, 11, 10, 0, 0, 0, 0, time.UTC)
	spec := sim.DemoSpec(seed)
	spec.Start, spec.Load.DayWatts, spec.Load.NightWatts, spec.Panel.WattsPeak = start, 12, 10, 240
	spec.Sky = sim.NewWeather(spec.Latitude, spec.Longitude, nil, seed)
	p := testPlan()
	p.Array.WattsPeak, p.Battery.CapacityAh, p.Battery.InitialSoC, p.OutlookEvery = 240, spec.Battery.CapacityAh, 0.8, time.Hour
	p.Engine = alert.Engine{Rules: alert.Builtin(), Site: "slipway", Zone: time.UTC, TripHours: 1.5, Instances: map[string][]string{"source": {"charger"}}}
	p.TripHours = 1.5
	p.Sources = p.Sources[:1]
	return &winterNode{site: sim.New(spec), plan: p, core: New(p)}
}

func (w *winterNode) live(t *testing.T, days int) {
	t.Helper()
	up := true
	for d := 10 * time.Minute; d <= time.Duration(days)*24*time.Hour; d += 10 * time.Minute {
		now := w.site.Now().Add(10 * time.Minute)
		w.site.StepTo(now)
		stamp := w.site.Stamp()
		on := w.site.Truth().LoadOn && !w.site.Truth().Open
		switch {
		case !on && up:
			w.mem, w.alerts, up = w.core.Memory(), w.core.Alerts(), false
			w.outages, w.outlived = append(w.outages, w.since), append(w.outlived, 0)
			for _, said := range w.last {
				if now.Sub(said) > 12*time.Hour {
					w.outlived[len(w.outlived)-1]++
				}
			}
			w.log = append(w.log, fmt.Sprintf("%s dark", now.Format("2 Jan 15:04")))
			continue
		case !on:
			continue
		case !up:
			up = true
			w.core = New(w.plan)
			w.core.SetAlerts(w.alerts)
			w.core.Resume(w.mem, stamp)
			w.log = append(w.log, fmt.Sprintf("%s up", now.Format("2 Jan 15:04")))
			w.since, w.last = 0, nil
		}
		take(t, w.core, collector.Report{Source: "charger", At: stamp, Values: w.site.Measured()})
		for _, n := range w.core.Step(stamp) {
			w.said = append(w.said, n)
			w.log = append(w.log, fmt.Sprintf("%s %s %s %s", n.At.Format("2 Jan 15:04"), n.Severity, n.Phase, n.Title))
			switch {
			case n.Rule == "back" && len(w.outages) > 0:
				w.outages[len(w.outages)-1]++
			case n.Rule == "cutoff_ahead" && n.Phase == alert.Cleared:
				w.since, w.last = 0, nil
			case strings.HasSuffix(n.Rule, "_ahead") || n.Rule == "blind":
				w.since++
				if strings.Contains(n.Title, "going dark") {
					w.last = append(w.last, n.At)
				}
			}
		}
	}
	if testing.Verbose() {
		t.Log("\n" + strings.Join(w.log, "\n"))
	}
}
