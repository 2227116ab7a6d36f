package archtest

import (
	"errors"
	"io/fs"
	"path"
	"slices"
	"strings"
)

// rootFolder is what the root holds, no more and no less.
func rootFolder() []string {
	return []string{
		".ci", ".gitignore", ".golangci.yml", "DEVELOPERS.md", "LICENSE", "README.md",
		"alert", "cmd", "collector", "deploy", "estimator", "go.mod", "go.sum", "testdata",
	}
}

// checkRoot compares the root with what it should hold. What .gitignore names there, such
// as a program that was just built, is nobody's concern.
func checkRoot(fsys fs.FS) ([]Violation, error) {
	entries, err := fs.ReadDir(fsys, ".")
	if err != nil {
		return nil, err
	}
	ignore, err := fs.ReadFile(fsys, ".gitignore")
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	var found []Violation
	var names []string
	for _, e := range entries {
		names = append(names, e.Name())
		if e.Name() != ".git" && !slices.Contains(rootFolder(), e.Name()) && !ignored(string(ignore), e.Name()) {
			found = append(found, Violation{File: e.Name(), What: "does not belong into the root"})
		}
	}
	for _, name := range rootFolder() {
		if !slices.Contains(names, name) {
			found = append(found, Violation{File: name, What: "is missing from the root"})
		}
	}
	return found, nil
}

// ignored tells names of the root that a line of .gitignore takes in.
func ignored(lines, name string) bool {
	for line := range strings.Lines(lines) {
		pattern := strings.Trim(strings.TrimSpace(line), "/")
		if ok, err := path.Match(pattern, name); err == nil && ok {
			return true
		}
	}
	return false
}
