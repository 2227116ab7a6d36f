package core

import (
	"errors"
	"strings"
	"testing"
	"time"

	"ebbwatch/alert"
	"ebbwatch/cmd/internal/facts"
	"ebbwatch/collector/reading"
)

// TestABlindNodeSaysSoOnce: the columns of the controller stay empty for sixteen days while
// the thermometer is alive. One message says that the battery is not seen; nothing else is
// said of the power, and nothing is critical beside it. The end is told once.
func TestABlindNodeSaysSoOnce(t *testing.T) {
	t.Parallel()
	p := testPlan()
	p.Engine = alert.Engine{Rules: alert.Builtin(), Site: "slipway", Zone: time.UTC, TripHours: 1.5,
		Instances: map[string][]string{"source": {"charger", "box"}}}
	p.Battery.InitialSoC = 0.45
	p.OutlookEvery = time.Hour
	c := New(p)
	var said []alert.Notice
	live := func(from, until time.Duration, sees bool) {
		for when := from; when < until; when += 5 * time.Minute {
			wobble := 0.01 * float64(int(when.Minutes())%7)
			take(t, c, report("box", when, nil, reading.BatteryCelsius, 4.0))
			if sees {
				take(t, c, report("charger", when, nil, reading.BatteryVolts, 13.2+wobble, reading.BatteryAmps, -1.2-wobble, reading.PanelWatts, 0.0, reading.LoadWatts, 13.2*1.2+12*wobble,
					reading.BatteryCelsius, 4.0))
			} else {
				take(t, c, report("charger", when, nil))
			}
			said = append(said, c.Step(at(when))...)
		}
	}
	live(0, 3*time.Hour, true)
	before := len(said)
	live(3*time.Hour, 16*24*time.Hour, false)
	blind := said[before:]
	if len(blind) != 1 || blind[0].Rule != "blind" || !strings.Contains(blind[0].Text, "charger answers, but tells nothing of the battery") ||
		!strings.Contains(blind[0].Text, "When it was last read, the charge was between") || strings.Contains(blind[0].Plain(), "readings 0 seconds old") {
		t.Errorf("in sixteen blind days it said %d things:", len(blind))
		for _, n := range blind {
			t.Errorf("%s %s %s: %s\n%s", n.At.Format(time.DateTime), n.Severity, n.Phase, n.Title, n.Text)
		}
	}
	before = len(said)
	live(16*24*time.Hour, 16*24*time.Hour+time.Hour, true)
	var ends []string
	for _, n := range said[before:] {
		if n.Rule == "blind" {
			ends = append(ends, string(n.Phase)+" "+n.Title)
		}
	}
	if len(ends) != 1 || ends[0] != "cleared slipway: it sees its battery again" {
		t.Errorf("when it sees again it says %q", ends)
	}
}

// TestAPartlyBlindNodeSaysWhatItLost: the meter of the load falls silent while the charger goes on.
// What only the meter gave is named, and all is not well.
func TestAPartlyBlindNodeSaysWhatItLost(t *testing.T) {
	t.Parallel()
	p := testPlan()
	p.Sources = append(p.Sources, SourcePlan{Name: "meter", Kind: "line", Every: 10 * time.Second})
	p.Engine = alert.Engine{Rules: alert.Builtin(), Site: "slipway", Zone: time.UTC, Instances: map[string][]string{"source": {"charger", "meter"}}}
	c := New(p)
	var said []alert.Notice
	for when := time.Duration(0); when < 2*time.Hour; when += 10 * time.Second {
		wobble := 0.01 * float64(int(when.Seconds())%7)
		take(t, c, report("charger", when, nil, reading.BatteryVolts, 13.2+wobble, reading.PanelWatts, wobble))
		if when < time.Hour {
			take(t, c, report("meter", when, nil, reading.BatteryVolts, 13.2-wobble, reading.LoadWatts, 12+wobble))
		} else {
			take(t, c, report("meter", when, errors.New("no answer")))
		}
		said = append(said, c.Step(at(when))...)
	}
	k, why := facts.KnowledgeOf(c.Snapshot(at(2 * time.Hour)))
	if k != facts.PartlyBlind || strings.Join(why, "; ") != "meter has been silent for 60 min: load watts not known" {
		t.Errorf("it knows %s: %q", k, why)
	}
	var texts []string
	for _, n := range said {
		if n.Rule == "source_silent" {
			texts = append(texts, n.Text)
		}
	}
	if len(texts) != 1 || !strings.Contains(texts[0], "until it answers, nothing tells of load watts, and") || !strings.Contains(texts[0], "The charge is between") {
		t.Errorf("it says %q", texts)
	}
}
