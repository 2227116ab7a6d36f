package decodetest

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"ebbwatch/collector/decode"
)

// Section is a section of a configuration beside which the files lie, by their relative path.
func Section(t testing.TB, yaml string, files map[string]string) *decode.Section {
	t.Helper()
	dir := t.TempDir()
	for name, text := range files {
		path := filepath.Join(dir, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return decode.NewSection(filepath.Join(dir, "node.yaml"), []byte(yaml))
}

// Problems is what was found wrong with a section, a line each, without the places and the
// folder.
func Problems(s *decode.Section) string {
	var lines []string
	for _, p := range s.Problems() {
		lines = append(lines, strings.ReplaceAll(p.What, filepath.Dir(p.File)+"/", ""))
	}
	return strings.Join(lines, "\n")
}
