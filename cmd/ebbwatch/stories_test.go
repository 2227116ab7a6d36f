package main

import (
	"encoding/csv"
	"encoding/json"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"ebbwatch/alert"
)

// A story is a folder with a configuration, readings, perhaps forecasts, and want.csv: what
// must come of it. Its rows are
//
//	notice,RULE,PHASE,FROM,TO   such a notice comes between the two moments
//	never,RULE,PHASE,FROM,TO    none comes
//	soc,TIME,LOW,HIGH,          the believed charge then lies between
func TestStories(t *testing.T) {
	t.Parallel()
	folders, err := filepath.Glob("../../testdata/stories/*")
	if err != nil || len(folders) == 0 {
		t.Fatalf("%d stories, %v", len(folders), err)
	}
	for _, folder := range folders {
		t.Run(filepath.Base(folder), func(t *testing.T) {
			t.Parallel()
			out := t.TempDir()
			args := []string{"replay", "--config", filepath.Join(folder, "ebbwatch.yaml"), "--readings", filepath.Join(folder, "readings.csv"), "--out", out}
			if forecasts := filepath.Join(folder, "forecasts.csv"); exists(forecasts) {
				args = append(args, "--forecasts", forecasts)
			}
			if _, stderr, code := said(t, args...); code != 0 {
				t.Fatalf("code %d: %s", code, stderr)
			}
			notices, soc := notices(t, filepath.Join(out, "notices.jsonl")), charges(t, filepath.Join(out, "estimates.csv"))
			for _, want := range table(t, filepath.Join(folder, "want.csv"))[1:] {
				switch want[0] {
				case "soc":
					low, high := number(t, want[2]), number(t, want[3])
					if got, known := soc[want[1]]; !known || got < low || got > high {
						t.Errorf("%s: charge %.3f (known: %t), want %s to %s", want[1], got, known, want[2], want[3])
					}
				default:
					if came := cameBetween(t, notices, want); came != (want[0] == "notice") {
						t.Errorf("%v: came: %t\n%v", want, came, notices)
					}
				}
			}
		})
	}
}

func exists(path string) bool {
	_, err := os.Stat(path)
	return err == nil
}

func table(t *testing.T, path string) [][]string {
	t.Helper()
	file, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	rows, err := csv.NewReader(file).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return rows
}

func charges(t *testing.T, path string) map[string]float64 {
	t.Helper()
	out := map[string]float64{}
	for _, row := range table(t, path)[1:] {
		out[row[0]] = number(t, row[1])
	}
	return out
}

func number(t *testing.T, text string) float64 {
	t.Helper()
	x, err := strconv.ParseFloat(text, 64)
	if err != nil {
		t.Fatal(err)
	}
	return x
}

func notices(t *testing.T, path string) []alert.Notice {
	t.Helper()
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	var out []alert.Notice
	for line := range strings.Lines(string(text)) {
		var n alert.Notice
		if err := json.Unmarshal([]byte(line), &n); err != nil {
			t.Fatal(err)
		}
		out = append(out, n)
	}
	return out
}

func cameBetween(t *testing.T, notices []alert.Notice, want []string) bool {
	t.Helper()
	from, errFrom := time.Parse(time.RFC3339, want[3])
	to, errTo := time.Parse(time.RFC3339, want[4])
	if errFrom != nil || errTo != nil {
		t.Fatal(errFrom, errTo)
	}
	for _, n := range notices {
		if n.Rule == want[1] && string(n.Phase) == want[2] && !n.At.Before(from) && !n.At.After(to) {
			return true
		}
	}
	return false
}
