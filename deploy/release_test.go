package deploy_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"ebbwatch/collector/needtest"
)

// in runs a program in a folder and gives what it prints.
func in(t *testing.T, dir, program string, args ...string) string {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), program, args...)
	cmd.Dir = dir
	cmd.Env = append(os.Environ(), "GIT_CONFIG_GLOBAL=/dev/null", "GIT_CONFIG_SYSTEM=/dev/null", "SOURCE_DATE_EPOCH=1790000000", "GOFLAGS=-mod=mod", "GOWORK=off")
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("%s %s: %v\n%s", filepath.Base(program), strings.Join(args, " "), err, out)
	}
	return strings.TrimSpace(string(out))
}

func place(t *testing.T, path, text string, mode os.FileMode) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte(text), mode); err != nil {
		t.Fatal(err)
	}
}

// The version of a package is that of the tag, and each later one sorts behind the one before, by
// Debian's own judgement.
func TestVersionsSortInTheOrderOfCommits(t *testing.T) {
	t.Parallel()
	git, dpkg := needtest.Program(t, "git"), needtest.Program(t, "dpkg")
	script, err := filepath.Abs("package/version")
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	in(t, dir, git, "init", "-q")
	var got []string
	for _, tag := range []string{"", "v0.2.0-rc.1", "v0.2.0", "", "v0.10.0"} {
		in(t, dir, git, "-c", "user.name=club", "-c", "user.email=club@boathouse.invalid", "commit", "-q", "--allow-empty", "-m", "sim: a change")
		if tag != "" {
			in(t, dir, git, "-c", "user.name=club", "-c", "user.email=club@boathouse.invalid", "tag", "-a", tag, "-m", tag)
		}
		got = append(got, in(t, dir, script))
	}
	want := regexp.MustCompile(`^0\.1~git[0-9.]+\.[0-9a-f]{7} 0\.2\.0~rc\.1 0\.2\.0 0\.2\.0\+git[0-9.]+\.[0-9a-f]{7} 0\.10\.0$`)
	if !want.MatchString(strings.Join(got, " ")) {
		t.Errorf("versions %q", got)
	}
	for i := range got[1:] {
		in(t, dir, dpkg, "--compare-versions", got[i], "lt", got[i+1])
	}
}

// A small project with another name: its module line and imports change, its own name in texts
// does not, and it builds.
func TestRenameModule(t *testing.T) {
	t.Parallel()
	git, golang := needtest.Program(t, "git"), needtest.Program(t, "go")
	dir := t.TempDir()
	place(t, filepath.Join(dir, "deploy", "package", "rename-module"), read(t, "package/rename-module"), 0o755)
	place(t, filepath.Join(dir, "go.mod"), "module ebbwatch\n\ngo 1.26\n", 0o644)
	place(t, filepath.Join(dir, "alert", "alert.go"), "package alert\n\n// Agent is how it calls itself.\nconst Agent = \"ebbwatch/1\"\n", 0o644)
	place(t, filepath.Join(dir, "cmd", "ebbwatch", "main.go"), "package main\n\nimport \"ebbwatch/alert\"\n\nfunc main() { println(alert.Agent) }\n", 0o644)
	in(t, dir, git, "init", "-q")
	in(t, dir, git, "add", "-A")
	in(t, dir, filepath.Join(dir, "deploy", "package", "rename-module"), "git.example/club/ebbwatch")
	if got := in(t, dir, golang, "list", "./..."); got != "git.example/club/ebbwatch/alert\ngit.example/club/ebbwatch/cmd/ebbwatch" {
		t.Errorf("packages are now %s", got)
	}
	if got := in(t, dir, golang, "run", "./cmd/ebbwatch"); got != "ebbwatch/1" {
		t.Errorf("the program calls itself %s", got)
	}
}

// The list of changes names its releases by version and day, the newest first, and says something
// of each.
func TestChangelog(t *testing.T) {
	t.Parallel()
	text := read(t, "package/CHANGELOG.md")
	parts := strings.Split(text, "\n## ")[1:]
	if len(parts) == 0 {
		t.Fatal("there is no release")
	}
	var days []string
	for i, part := range parts {
		head, body, _ := strings.Cut(part, "\n")
		m := regexp.MustCompile(`^\d+\.\d+\.\d+(-[0-9a-z.]+)?, (\d{4}-\d{2}-\d{2})$`).FindStringSubmatch(head)
		if m == nil && (i > 0 || head != "Unreleased") {
			t.Errorf("%q is neither a version and its day nor, at the top, Unreleased", head)
		}
		if !strings.Contains(body, "\n- ") && !strings.HasPrefix(body, "- ") {
			t.Errorf("nothing is said of %s", head)
		}
		if m != nil {
			days = append(days, m[2])
		}
	}
	if !slices.IsSortedFunc(days, func(a, b string) int { return strings.Compare(b, a) }) {
		t.Errorf("the newest is not first: %v", days)
	}
}
