package main

import (
	"os"
	"path/filepath"
	"regexp"
	"testing"

	"ebbwatch/cmd/internal/config"
)

// deployed is a path below the folder of what is installed.
func deployed(name ...string) string {
	return filepath.Join(append([]string{"..", "..", "deploy"}, name...)...)
}

// The annotated configuration is what the program says of itself, and it loads as it is.
// EBBWATCH_GOLDEN=1 writes it.
func TestReferenceConfiguration(t *testing.T) {
	t.Parallel()
	kinds := config.Kinds{Sources: sourceKinds(), Channels: channelKinds()}
	want, file := config.Reference(kinds), deployed("ebbwatch.yaml")
	if os.Getenv("EBBWATCH_GOLDEN") != "" {
		if err := os.WriteFile(file, []byte(want), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	got, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if string(got) != want {
		t.Errorf("%s is old: EBBWATCH_GOLDEN=1 go test ./cmd/ebbwatch -run %s writes it", file, t.Name())
	}
	_, problems := load(file, config.All())
	for _, p := range problems {
		t.Errorf("%s", p)
	}
}

// Every kind's sample works: with the # taken away before each of its keys the reference
// loads as well. What hardware a sample names need not be there.
func TestEverySampleLoads(t *testing.T) {
	t.Parallel()
	text := config.Reference(config.Kinds{Sources: sourceKinds(), Channels: channelKinds()})
	all := regexp.MustCompile(`(?m)^  #([^ #]|  )`).ReplaceAllString(text, "  $1")
	dir := t.TempDir()
	if err := os.CopyFS(filepath.Join(dir, "maps"), os.DirFS(deployed("maps"))); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(dir, "ebbwatch.yaml")
	write(t, file, all)
	c, problems := load(file, config.All())
	for _, p := range problems {
		t.Errorf("%s", p)
	}
	if c.Config == nil {
		t.Fatal(all)
	}
	if len(c.Sources) != len(sourceKinds()) || len(c.Notify) != len(channelKinds()) {
		t.Errorf("%d sources and %d channels are in use of %d and %d kinds", len(c.Sources), len(c.Notify), len(sourceKinds()), len(channelKinds()))
	}
}

// The examples load as they are, and watch what they say they do.
func TestExamples(t *testing.T) {
	t.Parallel()
	for file, want := range map[string]struct{ sources, peers, channels int }{
		"one-node/ebbwatch.yaml":          {2, 2, 1},
		"node-and-watcher/slipway.yaml":   {2, 1, 1},
		"node-and-watcher/boathouse.yaml": {2, 3, 2},
		"twenty-nodes/node.yaml":          {2, 2, 2},
		"twenty-nodes/boathouse.yaml":     {2, 40, 2},
	} {
		c, problems := load(deployed("examples", file), config.All())
		for _, p := range problems {
			t.Errorf("%s", p)
		}
		if len(problems) > 0 {
			continue
		}
		p := plan(c)
		if len(c.Sources) != want.sources || len(p.Engine.Instances["peer"]) != want.peers || len(c.Notify) != want.channels {
			t.Errorf("%s: %d sources, %d peers, %d channels; want %+v", file, len(c.Sources), len(p.Engine.Instances["peer"]), len(c.Notify), want)
		}
	}
}
