package main

import (
	"path/filepath"
	"testing"
	"time"

	"ebbwatch/alert"
	"ebbwatch/cmd/internal/config"
	"ebbwatch/cmd/internal/core"
	"ebbwatch/collector"
	"ebbwatch/collector/reading"
	"ebbwatch/collector/sim"
)

// The demonstration's story, lived through by the daemon's core without a wire: at the
// default speed five days are five minutes, and within them a warning of the dark ahead is
// raised, before the battery is at its reserve, and cleared.
func TestDemoStoryWarnsInTimeAndClears(t *testing.T) {
	t.Parallel()
	demo, err := sim.NewDemo(sim.DemoOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer demo.Close()
	dir := t.TempDir()
	write(t, filepath.Join(dir, "map.yaml"), string(demo.Map))
	file := filepath.Join(dir, "ebbwatch.yaml")
	write(t, file, demo.Config(filepath.Join(dir, "map.yaml"), false))
	c, problems := load(file, config.Need{Sources: true})
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	core, site := core.New(plan(c)), sim.New(demo.Spec)
	var raised, cleared, reserve time.Duration
	const step = 10 * time.Minute
	for at := step; at <= 5*24*time.Hour; at += step {
		site.StepTo(demo.Spec.Start.Add(at))
		if reserve == 0 && site.Truth().SoC < c.Battery.Reserve {
			reserve = at
		}
		now := reading.Stamp{Mono: at, Wall: demo.Spec.Start.Add(at), Trusted: true}
		if err := core.Report(collector.Report{Source: "charger", At: now, Values: site.Measured()}); err != nil {
			t.Fatal(err)
		}
		for _, n := range core.Step(now) {
			t.Logf("%v: %s %s: %s (charge %.2f, believed %.2f)", at, n.Phase, n.Rule, n.Title, site.Truth().SoC, core.Belief().SoC)
			switch ahead := n.Rule == "cutoff_ahead" || n.Rule == "reserve_ahead"; {
			case ahead && n.Phase == alert.Raised && raised == 0:
				raised = at
			case ahead && n.Phase == alert.Cleared:
				cleared = at
			}
		}
	}
	if raised < 24*time.Hour {
		t.Errorf("the warning came after %v, on the fair day", raised)
	}
	if reserve > 0 && reserve-raised < 12*time.Hour {
		t.Errorf("the warning came after %v, the reserve after %v: want half a day between", raised, reserve)
	}
	if cleared <= raised {
		t.Errorf("raised after %v, cleared after %v: want that within five days", raised, cleared)
	}
}
