package cause

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"go.yaml.in/yaml/v3"
)

// outage is one labelled outage of the library.
type outage struct {
	Name  string  `yaml:"-"`
	Story string  `yaml:"story"`
	Cause Cause   `yaml:"cause"`
	Also  []Cause `yaml:"also"`
	Rec   Record  `yaml:"record"`
}

func library(t *testing.T) []outage {
	t.Helper()
	files, err := filepath.Glob("../../testdata/outages/*.yaml")
	if err != nil || len(files) < 30 {
		t.Fatalf("%d labelled outages (%v), at least 30 are wanted", len(files), err)
	}
	var all []outage
	for _, f := range files {
		data, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		o := outage{Name: strings.TrimSuffix(filepath.Base(f), ".yaml"), Rec: Blank()}
		d := yaml.NewDecoder(strings.NewReader(string(data)))
		d.KnownFields(true)
		if err := d.Decode(&o); err != nil {
			t.Fatalf("%s: %v", f, err)
		}
		if o.Story == "" || !slices.Contains(append(Causes(), CannotTell), o.Cause) {
			t.Fatalf("%s: no story, or %q is no cause", f, o.Cause)
		}
		all = append(all, o)
	}
	return all
}

// TestLibrary prints the confusion matrix. Right is the label, or what a careful person
// would accept beside it; an honest "cannot tell" is neither right nor wrong.
func TestLibrary(t *testing.T) {
	t.Parallel()
	matrix := map[Cause]map[Cause]int{}
	exact, right, open, wrong, all := 0, 0, 0, 0, library(t)
	for _, o := range all {
		v := Judge(o.Rec)
		if matrix[o.Cause] == nil {
			matrix[o.Cause] = map[Cause]int{}
		}
		matrix[o.Cause][v.Cause]++
		if v.Cause == o.Cause {
			exact++
		}
		switch {
		case v.Cause == o.Cause || slices.Contains(o.Also, v.Cause):
			right++
		case v.Cause == CannotTell:
			open++
			t.Logf("open:  %s (%s): %s", o.Name, o.Cause, points(v))
		default:
			wrong++
			t.Logf("wrong: %s (%s): %s", o.Name, o.Cause, points(v))
		}
	}
	for _, c := range append(Causes(), CannotTell) {
		t.Logf("%-20s %v", c, matrix[c])
	}
	t.Logf("%d outages: %d right (%d of them by the first label), %d cannot tell, %d wrong", len(all), right, exact, open, wrong)
	if right*100 < 85*len(all) || wrong*100 > 5*len(all) {
		t.Errorf("of %d outages %d are right and %d wrong; 85 %% and 5 %% are asked", len(all), right, wrong)
	}
}

func points(v Verdict) string {
	var list []string
	for _, g := range v.Ladder {
		if !g.Excluded {
			list = append(list, fmt.Sprintf("%s %d", g.Cause, g.Points))
		}
	}
	return strings.Join(list, ", ")
}
