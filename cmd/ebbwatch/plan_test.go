package main

import (
	"bytes"
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

const planExample = "../../deploy/examples/plan-slipway.yaml"

// The command prints text or JSON, and a page backgroundTasks.
func TestPlanCommand(t *testing.T) {
	t.Parallel()
	page := filepath.Join(t.TempDir(), "plan.html")
	var out, errs bytes.Buffer
	if code := run(context.Background(), []string{"plan", "--config", planExample, "--brief", "--winters", "20", "--html", page}, &out, &errs); code != 0 {
		t.Fatalf("exit code %d: %s", code, errs.String())
	}
	if !strings.HasPrefix(out.String(), "This kit carries ") {
		t.Errorf("it begins %.80q", out.String())
	}
	if data, err := os.ReadFile(page); err != nil || !bytes.Contains(data, []byte("<!doctype html>")) {
		t.Errorf("the page: %v", err)
	}
	out.Reset()
	if code := run(context.Background(), []string{"plan", "--config", planExample, "--brief", "--winters", "20", "--json"}, &out, &errs); code != 0 {
		t.Fatalf("exit code %d: %s", code, errs.String())
	}
	var report struct{ Verdict string }
	if err := json.Unmarshal(out.Bytes(), &report); err != nil || !strings.Contains(report.Verdict, "you draw 10.6 W") {
		t.Errorf("as JSON %v: %q", err, report.Verdict)
	}
}

func TestPlanCommandTellsMistakes(t *testing.T) {
	t.Parallel()
	file := filepath.Join(t.TempDir(), "p.yaml")
	text := "site: {name: s, latitude: 50, longitude: 5}\nbattery: {capacity_ah: 80}\narray: {watts_peak: 100, tilt_deg: 60}\nloads: [{name: a, watt: 3}]\n"
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	for args, want := range map[string]string{
		"plan --config " + file:                            file + `:4:19: unknown key "watt"`,
		"plan --config " + planExample + " --winters 3":    "outside 20..20000",
		"plan --config " + planExample + " --html /no/dir": "cannot write the page",
	} {
		var out, errs bytes.Buffer
		words := strings.Fields(args)
		if strings.Contains(args, "--html") {
			words = append(words, "--brief", "--winters", "20")
		}
		if code := run(context.Background(), words, &out, &errs); code != 1 || !strings.Contains(errs.String(), want) {
			t.Errorf("%s: exit code %d, %q, want %q", args, code, errs.String(), want)
		}
	}
}
