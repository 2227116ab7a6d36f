package archtest

import (
	"os"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"golang.org/x/tools/txtar"
)

// TestProject holds this project to its rules.
func TestProject(t *testing.T) {
	t.Parallel()
	found, err := Check(os.DirFS(projectRoot(t)))
	if err != nil {
		t.Fatal(err)
	}
	for _, v := range found {
		t.Error(v)
	}
}

// TestEveryFolderSaysWhatItIsFor wants a doc.go that says in a few lines what a package is for,
// what comes in and what goes out.
func TestEveryFolderSaysWhatItIsFor(t *testing.T) {
	t.Parallel()
	p, err := load(os.DirFS(projectRoot(t)))
	if err != nil {
		t.Fatal(err)
	}
	for _, pkg := range p.packages {
		code := pkg.code()
		if len(code) == 0 || code[0].Name.Name == "main" {
			continue
		}
		i := slices.IndexFunc(code, func(f *file) bool { return path.Base(f.path) == "doc.go" })
		switch {
		case i < 0:
			t.Errorf("%s has no doc.go", pkg.dir)
		case !regexp.MustCompile(`\bIn(:| come| and out)`).MatchString(code[i].Doc.Text()):
			t.Errorf("%s/doc.go does not say what comes in and what goes out", pkg.dir)
		}
	}
}

// projectRoot walks up to go.mod.
func projectRoot(t *testing.T) string {
	t.Helper()
	dir, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	for {
		if _, err := os.Stat(filepath.Join(dir, "go.mod")); err == nil {
			return dir
		}
		if dir == filepath.Dir(dir) {
			t.Fatal("no go.mod above the working directory")
		}
		dir = filepath.Dir(dir)
	}
}

// TestRulesFire checks small bad projects, one a rule: the files that an archive adds to a
// sound project must give the violations that its comment lists, and no others.
func TestRulesFire(t *testing.T) {
	t.Parallel()
	paths, err := filepath.Glob("testdata/*.txtar")
	if err != nil || len(paths) < 10 {
		t.Fatalf("only %d archives found: %v", len(paths), err)
	}
	for _, path := range paths {
		t.Run(strings.TrimSuffix(filepath.Base(path), ".txtar"), func(t *testing.T) {
			t.Parallel()
			bad, err := txtar.ParseFile(path)
			if err != nil {
				t.Fatal(err)
			}
			want := strings.TrimSpace(string(bad.Comment))
			if want == "" && filepath.Base(path) != "sound.txtar" {
				t.Error("the archive lists no violation")
			}
			if got := violations(t, bad.Files); got != want {
				t.Errorf("found\n%s\nwant\n%s", got, want)
			}
		})
	}
}

// violations checks a sound project to which files were added, or in which they replace
// others; one whose content is the word removed is taken away.
func violations(t *testing.T, files []txtar.File) string {
	t.Helper()
	project := new(txtar.Archive)
	named := map[string]bool{}
	for _, f := range files {
		named[f.Name] = true
		if strings.TrimSpace(string(f.Data)) != "removed" {
			project.Files = append(project.Files, f)
		}
	}
	for _, name := range rootFolder() {
		switch {
		case named[name]:
		case name == "go.mod":
			project.Files = append(project.Files, txtar.File{Name: name, Data: []byte("module ebbwatch\n\ngo 1.26\n")})
		case strings.Contains(strings.TrimPrefix(name, "."), ".") || name == "LICENSE" || name == ".gitignore":
			project.Files = append(project.Files, txtar.File{Name: name})
		default:
			project.Files = append(project.Files, txtar.File{Name: name + "/keep.txt"})
		}
	}
	fsys, err := txtar.FS(project)
	if err != nil {
		t.Fatal(err)
	}
	found, err := Check(fsys)
	if err != nil {
		t.Fatal(err)
	}
	var lines []string
	for _, v := range found {
		lines = append(lines, v.String())
	}
	return strings.Join(lines, "\n")
}

// TestUnreadable shows that a file that cannot be parsed is told, not passed over.
func TestUnreadable(t *testing.T) {
	t.Parallel()
	fsys, err := txtar.FS(txtar.Parse([]byte("-- go.mod --\nmodule ebbwatch\n-- alert/a.go --\npackage\n")))
	if err != nil {
		t.Fatal(err)
	}
	_, err = Check(fsys)
	if want := "cannot check the source: alert/a.go:"; err == nil || !strings.HasPrefix(err.Error(), want) {
		t.Errorf("error %v, want %s…", err, want)
	}
	if _, err := Check(os.DirFS(t.TempDir())); err == nil {
		t.Error("an empty folder passes")
	}
}
