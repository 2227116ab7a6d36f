package main

import (
	"path/filepath"
	"slices"
	"testing"
	"time"

	"ebbwatch/alert"
	"ebbwatch/cmd/internal/config"
	"ebbwatch/cmd/internal/core"
	"ebbwatch/cmd/internal/facts"
	"ebbwatch/collector"
	"ebbwatch/collector/reading"
	"ebbwatch/collector/sim"
)

// scenePlay is what came of a scene, lived through by the daemon's core without a wire.
type scenePlay struct {
	notices []alert.Notice
	dark    time.Duration // when the load went off; 0: never
	back    time.Duration // when it was fed again
	blind   int           // hours in which the node said that it is blind
	claimed int           // of them, hours in which it said that all is well
}

func playScene(t *testing.T, name string, days int) (p scenePlay) {
	t.Helper()
	demo, err := sim.NewDemo(sim.DemoOptions{Scene: name})
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
	what := plan(c)
	what.OutlookEvery, what.AdviseEvery = 3*time.Hour, 24*time.Hour
	core, site := core.New(what), sim.New(demo.Spec)
	const step = 10 * time.Minute
	for at := step; at <= time.Duration(days)*24*time.Hour; at += step {
		site.StepTo(demo.Spec.Start.Add(at))
		now := reading.Stamp{Mono: at, Wall: demo.Spec.Start.Add(at), Trusted: true}
		r := collector.Report{Source: "charger", At: now, Values: site.Measured()}
		if site.Silent() {
			r.Values, r.Err = nil, collector.Errorf(collector.Timeout, "no answer within 500 ms")
		}
		if err := core.Report(r); err != nil {
			t.Fatal(err)
		}
		for _, n := range core.Step(now) {
			t.Logf("%v: %s %s (%s): %s", at, n.Phase, n.Rule, n.Severity, n.Title)
			p.notices = append(p.notices, n)
		}
		on := site.Truth().LoadOn
		if !on && p.dark == 0 {
			p.dark = at
		}
		if on && p.dark > 0 && p.back == 0 {
			p.back = at
		}
		if at%time.Hour == 0 {
			if h := facts.HeadlineOf(core.Snapshot(now)); h.Knowledge == facts.Blind {
				p.blind++
				if h.Level == facts.OK {
					p.claimed++
				}
			}
		}
	}
	return p
}

// Each scene tells the story that it promises. The looks ahead are fewer than a daemon's, for time.
func TestDemoScenes(t *testing.T) {
	t.Parallel()
	days := map[string]int{"cloudy": 5, "dark": 7, "snow": 4, "silent": 3}
	for _, c := range sim.Scenes()[1:] {
		t.Run(c.Name, func(t *testing.T) {
			t.Parallel()
			p := playScene(t, c.Name, days[c.Name])
			switch c.Name {
			case "cloudy":
				for _, n := range p.notices {
					if n.Severity != alert.Info {
						t.Errorf("a week in which nothing need be done says %s: %s", n.Severity, n.Title)
					}
				}
			case "dark":
				if warned := p.first("cutoff_ahead"); warned.IsZero() || p.dark == 0 || sim.DemoStart().Add(p.dark).Sub(warned) < 12*time.Hour || p.back <= p.dark {
					t.Errorf("warned at %v, dark after %v, back after %v", warned, p.dark, p.back)
				}
			case "snow":
				if p.first("cutoff_ahead").Before(sim.DemoStart().Add(24 * time.Hour)) {
					t.Error("there is no warning, or it came before the snow")
				}
			case "silent":
				if p.first("source_silent").IsZero() && p.first("blind").IsZero() || p.blind < 12 || p.claimed > 0 {
					t.Errorf("blind for %d h, of which it says for %d that all is well", p.blind, p.claimed)
				}
			default:
				t.Errorf("nobody looks at the scene %s", c.Name)
			}
		})
	}
}

// first is when the first notice of a rule came; zero: never.
func (p scenePlay) first(rule string) time.Time {
	i := slices.IndexFunc(p.notices, func(n alert.Notice) bool { return n.Rule == rule && n.Phase == alert.Raised })
	if i < 0 {
		return time.Time{}
	}
	return p.notices[i].At
}
