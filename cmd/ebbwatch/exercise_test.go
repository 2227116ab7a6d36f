package main

import (
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/tools/txtar"

	"ebbwatch/collector/needtest"
)

// TestExercises walks what DEVELOPERS.md says of a new source, quantity, channel and metric: the
// program is built with the changes of testdata/exercises laid over the source, and what the new
// source measures comes out as the new metric and through the new channel.
func TestExercises(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("skipped: needs to build the program")
	}
	golang, dir := needtest.Program(t, "go"), t.TempDir()
	tree, err := txtar.ParseFile("../../testdata/exercises/one-of-each.txtar")
	if err != nil {
		t.Fatal(err)
	}
	overlay := map[string]string{}
	for i, f := range tree.Files {
		place, err := filepath.Abs(filepath.Join("..", "..", f.Name))
		if err != nil {
			t.Fatal(err)
		}
		overlay[place] = filepath.Join(dir, fmt.Sprintf("%d.go", i))
		write(t, overlay[place], changed(t, place, string(f.Data)))
	}
	told, err := json.Marshal(map[string]any{"Replace": overlay})
	if err != nil {
		t.Fatal(err)
	}
	write(t, filepath.Join(dir, "overlay.json"), string(told))
	exe := filepath.Join(dir, "ebbwatch")
	build := exec.CommandContext(t.Context(), golang, "build", "-overlay", filepath.Join(dir, "overlay.json"), "-o", exe, ".")
	if out, err := build.CombinedOutput(); err != nil {
		t.Fatalf("the exercises do not build: %v\n%s", err, out)
	}
	write(t, filepath.Join(dir, "depth"), "0.42\n")
	write(t, filepath.Join(dir, "ebbwatch.yaml"), `site: {name: island, latitude: 52.75, longitude: 6.57, timezone: Europe/Amsterdam}
battery: {capacity_ah: 80}
array: {watts_peak: 240, tilt_deg: 60}
sources:
  - {name: float, every: 1s, gauge: {file: depth}}
alerts:
  quiet: "off"
  rules: [{name: flood, when: water_metres > 0.3, for: 0s, title: "water", text: "the water is {{number \"water_metres\"}} m deep", severity: critical}]
notify:
  - {name: book, logbook: {file: `+filepath.Join(dir, "book")+`}}
web: {listen: "127.0.0.1:0"}
state: state
`)
	var out screen
	cmd := exec.CommandContext(t.Context(), exe, "run", "--config", "ebbwatch.yaml")
	cmd.Dir, cmd.Stdout, cmd.Stderr = dir, &out, &out
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = cmd.Wait() }) // killed by the context
	eventually(t, time.Minute, "the new channel is told of what the new source measures", func() bool {
		book, _ := os.ReadFile(filepath.Join(dir, "book"))
		return strings.Contains(string(book), "island.flood.")
	})
	if text, status := get(t, out.page()+"/metrics"); status != 200 || !strings.Contains(text, "\nebbwatch_water_metres 0.42\n") {
		t.Errorf("the new metric is not told: %d\n%s", status, text)
	}
}

// changed is a new file, or one of the project with lines added.
func changed(t *testing.T, place, text string) string {
	t.Helper()
	if !strings.HasPrefix(text, "after: ") {
		return text
	}
	is, err := os.ReadFile(place)
	if err != nil {
		t.Fatal(err)
	}
	source, after := string(is), ""
	for line := range strings.Lines(text) {
		switch what, rest, _ := strings.Cut(line, ": "); what {
		case "after":
			after = rest
		case "add":
			if strings.Count(source, "\n"+after) != 1 {
				t.Fatalf("%s has not just one line %q", place, after)
			}
			source = strings.Replace(source, "\n"+after, "\n"+after+rest, 1)
		}
	}
	return source
}
