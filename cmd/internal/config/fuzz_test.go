package config

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// FuzzParse feeds the loader what no one would write. It must end, and either give a
// configuration or problems with a place inside the text.
func FuzzParse(f *testing.F) {
	paths, err := filepath.Glob(badConfigs + "/*.yaml")
	if err != nil || len(paths) == 0 {
		f.Fatalf("no seeds in %s: %v", badConfigs, err)
	}
	for _, path := range paths {
		text, err := os.ReadFile(path)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(string(text))
	}
	f.Add(reference)
	f.Add(small)
	f.Add("{{{{[[[[")
	f.Add("? a\n: b\n")
	f.Add("&a [*a]")
	f.Add("%YAML 1.3\n---\n")
	f.Fuzz(func(t *testing.T, text string) {
		cfg, problems := Parse("node.yaml", []byte(text), fakeKinds(), All())
		if (cfg == nil) == (len(problems) == 0) {
			t.Fatalf("configuration %v with problems %v", cfg, problems)
		}
		lines := strings.Count(text, "\n") + strings.Count(text, "\r") + strings.Count(text, "\u0085") +
			strings.Count(text, "\u2028") + strings.Count(text, "\u2029") + 1
		for _, p := range problems {
			if p.File == "node.yaml" && (p.Line < 0 || p.Line > lines+1 || p.Col < 0 || p.Col > len(text)+1 || p.What == "") {
				t.Errorf("a problem outside the text: %s", p)
			}
		}
	})
}
